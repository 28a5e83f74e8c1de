package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// outputs are files that appear together: each is written to a temporary file
// beside its place, and only when all are whole do they get their names.
type outputs struct {
	pending []pendingFile
}

type pendingFile struct {
	temporary, name string
	mode            fs.FileMode
}

// target gives where a file is to appear: a link is followed, so that what it
// points to is replaced and not the link. Folders, pipes and devices are refused.
// A file that is there keeps its permissions.
func target(name string) (string, fs.FileMode, error) {
	info, err := os.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return name, 0o644, nil
	}
	if err != nil {
		return "", 0, fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	switch {
	case info.IsDir():
		return "", 0, fmt.Errorf("%s is a folder; name a file", name)
	case !info.Mode().IsRegular():
		return "", 0, fmt.Errorf("%s is not a plain file, and a file that appears whole cannot take its place", name)
	}
	resolved, err := filepath.EvalSymlinks(name)
	if err != nil {
		return "", 0, fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	return resolved, info.Mode().Perm(), nil
}

// write writes one file to its temporary place. An error leaves nothing behind.
func (o *outputs) write(name string, fill func(io.Writer) error) error {
	name, mode, err := target(name)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	o.pending = append(o.pending, pendingFile{f.Name(), name, mode})
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
		if err := os.Chmod(p.temporary, p.mode); err != nil {
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
