package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// outputs are files that appear together: each is written to a temporary file
// beside its place, and only when all are whole do they get their names.
type outputs struct {
	pending []pendingFile
}

type pendingFile struct{ temporary, name string }

// write writes one file to its temporary place. An error leaves nothing behind.
func (o *outputs) write(name string, fill func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	o.pending = append(o.pending, pendingFile{f.Name(), name})
	err = fill(f)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		o.discard()
		return fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	return nil
}

func reason(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// discard removes the temporary files.
func (o *outputs) discard() {
	for _, p := range o.pending {
		os.Remove(p.temporary)
	}
	o.pending = nil
}

// commit gives all files their names.
func (o *outputs) commit() error {
	defer o.discard()
	for _, p := range o.pending {
		if err := os.Chmod(p.temporary, 0o644); err != nil {
			return fmt.Errorf("%s cannot be written: %w", p.name, reason(err))
		}
	}
	for _, p := range o.pending {
		if err := os.Rename(p.temporary, p.name); err != nil {
			return fmt.Errorf("%s cannot be written: %w", p.name, reason(err))
		}
	}
	for _, p := range o.pending {
		syncFolder(filepath.Dir(p.name))
	}
	return nil
}

// syncFolder makes a new name last through a loss of power, where the system
// can; the file itself is whole either way.
func syncFolder(name string) {
	if d, err := os.Open(name); err == nil {
		d.Sync()
		d.Close()
	}
}
