package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/sequence"
	"limberjack/transport/card"
)

// cardForm is the form of export that is no timeline's.
const cardForm = "card"

// imageExt is the ending by which export knows that an image is wanted.
const imageExt = ".img"

// cardOptions are the flags of export that only a card has.
type cardOptions struct {
	date string
	size string
	fat  int
	chip string
}

func (o *cardOptions) flags(c *cobra.Command) {
	c.Flags().StringVar(&o.date, "date", "", "of a card: the date in the handover sheet and the image, as 2025-06-30")
	c.Flags().StringVar(&o.size, "size", "", "of a card's image, as 64MB or 2GB (default: as small as the files allow)")
	c.Flags().IntVar(&o.fat, "fat", 0, "of a card's image: 16 or 32 (default: by its size)")
	c.Flags().StringVar(&o.chip, "chip", "", "of a card: the chip of the boards that play it, atmega328p or atmega2560, which has memory for more triggers (default atmega328p)")
	completeWords(c, "fat", "16", "32")
	completeWords(c, "chip", "atmega328p", "atmega2560")
}

// unused is an error where a flag was given that the form does not have.
func (o *cardOptions) unused(form string) error {
	if *o != (cardOptions{}) {
		return fmt.Errorf("--date, --size, --fat and --chip are for cards: leave them out for %s, or export --to %s", form, cardForm)
	}
	return nil
}

func (o *cardOptions) image() (card.ImageOptions, error) {
	var i card.ImageOptions
	switch o.fat {
	case 0:
	case 16:
		i.FAT = card.FAT16
	case 32:
		i.FAT = card.FAT32
	default:
		return i, fmt.Errorf("--fat is %d; it may be 16 or 32", o.fat)
	}
	if o.size == "" {
		return i, nil
	}
	n, err := byteCount(o.size)
	if err != nil {
		return i, err
	}
	i.Size = n
	return i, i.Check()
}

// check is an error where the flags do not fit each other or what is to be written; a show of
// many motions takes long, and this nothing.
func (o *cardOptions) check(to string) error {
	if isImageName(to) {
		_, err := o.image()
		return err
	}
	if o.size != "" || o.fat != 0 {
		return fmt.Errorf("--size and --fat are for images, and %s is to be a folder: give a name that ends in %s", to, imageExt)
	}
	_, _, err := cardFolder(to)
	return err
}

func isImageName(to string) bool { return strings.EqualFold(filepath.Ext(to), imageExt) }

// byteCount reads a number of bytes with a unit: powers of 1000, and of 1024 with an i.
func byteCount(s string) (int64, error) {
	units := map[string]float64{"": 1, "B": 1, "KB": 1e3, "MB": 1e6, "GB": 1e9, "KIB": 1 << 10, "MIB": 1 << 20, "GIB": 1 << 30}
	number := strings.TrimRight(s, "KMGBIkmgbi ")
	k, known := units[strings.ToUpper(strings.TrimSpace(s[len(number):]))]
	var x float64
	var rest string
	if n, _ := fmt.Sscanf(number+" .", "%f %s", &x, &rest); n != 2 || rest != "." || !known || !(x > 0) || x*k > 1<<41 {
		return 0, fmt.Errorf("--size is %q; write it as 64MB, 500MiB or 2GB", s)
	}
	return int64(x * k), nil
}

// exportCard puts a show, or a motion alone, onto a card: into a directory, or into an
// image where the name ends so.
func exportCard(file, to string, o cardOptions, out, errOut io.Writer) error {
	if err := o.check(to); err != nil {
		return err
	}
	c, err := planCard(file, o, errOut)
	if err != nil {
		return err
	}
	for _, n := range c.Notes {
		fmt.Fprintln(errOut, "note: "+n)
	}
	bar := newBar(errOut, "motions written and read back")
	defer bar.end()
	var names []string
	if isImageName(to) {
		names, err = writeCardImage(c, to, o, bar)
	} else {
		names, err = writeCardFolder(c, to, bar)
	}
	bar.end()
	if err != nil {
		return err
	}
	for _, name := range names {
		fmt.Fprintln(out, name)
	}
	return nil
}

// planCard loads a show or a motion, refuses what runs into an end stop, and plans.
func planCard(file string, o cardOptions, errOut io.Writer) (*card.Card, error) {
	room, err := card.RoomOf(o.chip)
	if err != nil {
		return nil, fmt.Errorf("--chip is %q; %w", o.chip, err)
	}
	doc, err := sequence.Load(openFile, file)
	if err != nil {
		return nil, err
	}
	var show *sequence.Show
	switch d := doc.(type) {
	case *sequence.Show:
		show = d
	case *sequence.Script:
		show = card.Alone(d)
	default:
		return nil, fmt.Errorf("%s is neither a show nor a motion: a rig alone has nothing to play", file)
	}
	list, err := playable(show.Motions, errOut)
	if err != nil {
		return nil, err
	}
	return card.New(show, list, card.Options{Date: o.date, Room: room})
}

// playable compiles the motions of a show and checks them, several at a time. What was
// found is told in the order of the show.
func playable(motions []*sequence.ShowMotion, errOut io.Writer) ([]*interp.Performance, error) {
	bar := newBar(errOut, "motions checked")
	defer bar.end()
	list, errs := make([]*interp.Performance, len(motions)), make([]error, len(motions))
	told := make([]bytes.Buffer, len(motions))
	var group sync.WaitGroup
	next := make(chan int)
	for range min(len(motions), runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for i := range next {
				list[i], errs[i] = curvesOf(motions[i].Script, &told[i])
				bar.step(len(motions))
			}
		})
	}
	for i := range motions {
		next <- i
	}
	close(next)
	group.Wait()
	bar.end()
	var problems sequence.Problems
	refused := false
	for i := range motions {
		io.Copy(errOut, &told[i])
		if refused = refused || errors.Is(errs[i], errFindings); errs[i] != nil && !errors.Is(errs[i], errFindings) {
			problems = append(problems, sequence.AsProblems(errs[i])...)
		}
	}
	switch {
	case len(problems) > 0:
		return nil, problems
	case refused:
		return nil, errFindings
	}
	return list, nil
}

// curvesOf compiles a motion of a show and refuses one that runs into an end stop. The model
// of motors and supplies, which takes most of the time of a check, is left to check.
func curvesOf(s *sequence.Script, errOut io.Writer) (*interp.Performance, error) {
	p, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	if err := refuseTravel(check.Run(p, nil, nil), s.File, " in its curves", errOut); err != nil {
		return nil, err
	}
	return p, nil
}

// bar is a line on a terminal that says how far something is; elsewhere it is nothing.
type bar struct {
	mutex sync.Mutex
	out   io.Writer // nil: no terminal
	what  string
	done  int
	shown time.Time
}

// barEvery is how often the line changes.
const barEvery = 100 * time.Millisecond

func newBar(w io.Writer, what string) *bar {
	b := &bar{what: what, shown: time.Now()}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		b.out = w
	}
	return b
}

func (b *bar) step(total int) {
	b.mutex.Lock()
	defer b.mutex.Unlock()
	b.done++
	b.show(b.done, total)
}

// set is a card's progress.
func (b *bar) set(done, total int) {
	b.mutex.Lock()
	defer b.mutex.Unlock()
	b.show((done+1)/2, total/2) // each is written and read back
}

func (b *bar) show(done, total int) {
	if b.out == nil || time.Since(b.shown) < barEvery {
		return
	}
	b.shown = time.Now()
	fmt.Fprintf(b.out, "\r%d of %d %s", done, total, b.what)
}

func (b *bar) end() {
	b.mutex.Lock()
	defer b.mutex.Unlock()
	if b.out != nil {
		fmt.Fprint(b.out, "\r\x1b[K")
	}
}

// imageFile is a file that can be made long before it is filled.
type imageFile interface {
	card.Medium
	Truncate(size int64) error
}

func writeCardImage(c *card.Card, to string, o cardOptions, b *bar) ([]string, error) {
	options, err := o.image()
	if err != nil {
		return nil, err
	}
	m, err := c.NewImage(options)
	if err != nil {
		return nil, err
	}
	var files outputs
	err = files.write(to, func(w io.Writer) error {
		f := w.(imageFile)
		if err := f.Truncate(m.Size()); err != nil {
			return err
		}
		return m.Write(f, b.set)
	})
	if err != nil {
		return nil, err
	}
	return []string{to}, files.commit()
}

// writeCardFolder writes the files into a folder that then takes the place of an empty
// one, or of one that holds only an earlier card.
func writeCardFolder(c *card.Card, to string, b *bar) ([]string, error) {
	place, mode, err := cardFolder(to)
	if err != nil {
		return nil, err
	}
	temporary, err := os.MkdirTemp(filepath.Dir(place), "."+filepath.Base(place)+".*")
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", to, reason(err))
	}
	defer os.RemoveAll(temporary)
	if err := fillFolder(c, temporary, b); err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", to, reason(err))
	}
	if err := os.Chmod(temporary, mode); err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", to, reason(err))
	}
	if err := swapFolder(temporary, place); err != nil {
		return nil, fmt.Errorf("%s cannot be replaced: %w; if it is a card, export into another folder and copy the files", to, reason(err))
	}
	var names []string
	for _, f := range c.Files() {
		names = append(names, filepath.Join(to, f.Name))
	}
	return names, nil
}

// cardFolder gives where a folder is to appear, and with what permissions. Only one that
// is not there, that is empty, or that holds nothing but a card may be replaced.
func cardFolder(to string) (string, fs.FileMode, error) {
	place, mode, there, err := standing(to, ", or an image that ends in "+imageExt)
	if err != nil || !there {
		return place, mode, err
	}
	list, err := os.ReadDir(place)
	if err != nil {
		return "", 0, fmt.Errorf("%s cannot be read: %w", to, reason(err))
	}
	index := len(list) == 0
	for _, e := range list {
		index = index || e.Name() == card.IndexName
		if !card.Belongs(e.Name()) || !e.Type().IsRegular() {
			return "", 0, fmt.Errorf("%s holds %s, which is no file of a card: name a new or an empty folder", to, e.Name())
		}
	}
	if !index {
		return "", 0, fmt.Errorf("%s holds files and no %s: name a new or an empty folder", to, card.IndexName)
	}
	return place, mode, nil
}

// standing gives the place of a folder that is to appear, its links followed, and the
// permissions that it has, or is to have; there is false where nothing stands in its place.
// or says what may be named besides a folder.
func standing(to, or string) (place string, mode fs.FileMode, there bool, err error) {
	info, err := os.Stat(to)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return filepath.Clean(to), 0o755, false, nil
	case err != nil:
		return "", 0, false, fmt.Errorf("%s cannot be written: %w", to, reason(err))
	case !info.IsDir():
		return "", 0, false, fmt.Errorf("%s is a file: name a folder%s", to, or)
	}
	if place, err = filepath.EvalSymlinks(to); err == nil {
		place, err = filepath.Abs(place)
	}
	if err != nil {
		return "", 0, false, fmt.Errorf("%s cannot be read: %w", to, reason(err))
	}
	return place, info.Mode().Perm(), true, nil
}

// fillFolder writes all files of a card into a folder.
func fillFolder(c *card.Card, folder string, b *bar) (err error) {
	var files []*os.File
	defer func() {
		for _, f := range files {
			if closeErr := f.Close(); err == nil {
				err = closeErr
			}
		}
	}()
	for _, f := range c.Files() {
		file, err := os.OpenFile(filepath.Join(folder, f.Name), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return err
		}
		files = append(files, file)
	}
	place := func(f card.File) card.Medium {
		for i, x := range c.Files() {
			if x.Name == f.Name {
				return files[i]
			}
		}
		return nil
	}
	if err := c.Write(place, b.set); err != nil {
		return err
	}
	for _, f := range files {
		if err := f.Sync(); err != nil {
			return err
		}
	}
	syncFolder(folder)
	return nil
}

// swapFolder gives a new folder the place of an old one, if there is one. Where that
// fails the old one is put back.
func swapFolder(fresh, place string) error {
	old := fresh + ".old"
	err := os.Rename(place, old)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	was := err == nil
	if err := os.Rename(fresh, place); err != nil {
		if was {
			os.Rename(old, place)
		}
		return err
	}
	syncFolder(filepath.Dir(place))
	if was {
		return os.RemoveAll(old)
	}
	return nil
}

// cardInputs are the files of a card, opened.
type cardInputs struct {
	image io.ReaderAt // nil where they are plain files
	size  int64       // of the image
	lone  bool        // one file, not a whole card
	files []card.Input
	stray []string // names that are no files of a card
	open  []*os.File
}

func (c *cardInputs) close() {
	for _, f := range c.open {
		f.Close()
	}
}

// openCard opens a folder, an image or one file of a card. It gives nil where a file is
// none of these.
func openCard(name string) (*cardInputs, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	c := &cardInputs{}
	if info.IsDir() {
		err = c.folder(name)
	} else if info.Mode().IsRegular() || info.Mode()&fs.ModeDevice != 0 {
		var ours bool
		if ours, err = c.file(name); err == nil && !ours {
			c.close()
			return nil, nil
		}
	} else {
		return nil, nil
	}
	if err != nil {
		c.close()
		return nil, err
	}
	return c, nil
}

func (c *cardInputs) folder(name string) error {
	list, err := os.ReadDir(name)
	if err != nil {
		return err
	}
	for _, e := range list {
		short := strings.ToUpper(e.Name()) // some systems show names of a FAT volume in small letters
		if !card.Belongs(short) || e.IsDir() {
			if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
				c.stray = append(c.stray, e.Name())
			}
			continue
		}
		if _, err := c.add(filepath.Join(name, e.Name()), short); err != nil {
			return err
		}
	}
	return nil
}

func (c *cardInputs) add(path, name string) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	c.open = append(c.open, f)
	size, err := f.Seek(0, io.SeekEnd) // also the size of a device
	if err != nil {
		return nil, err
	}
	c.files = append(c.files, card.Input{Name: name, Size: size, ReaderAt: f})
	return f, nil
}

// file opens an image, or one file of a card, and says whether it was one.
func (c *cardInputs) file(path string) (bool, error) {
	f, err := c.add(path, strings.ToUpper(filepath.Base(path)))
	if err != nil {
		return false, err
	}
	start := make([]byte, card.SectorSize)
	n, err := f.ReadAt(start, 0)
	if err != nil && err != io.EOF {
		return false, err
	}
	start = start[:n]
	in := &c.files[0]
	switch {
	case isImageName(path) || card.IsImage(start):
		c.image, c.size, c.files = f, in.Size, nil
	case card.IsContainer(start):
		in.Name, c.lone = card.ContainerName(in.Name), true
	case card.IsIndex(start):
		in.Name, c.lone = card.IndexName, true
	case card.Belongs(in.Name):
		c.lone = true
	case card.ImageLike(f, in.Size):
		c.image, c.size, c.files = f, in.Size, nil
	default:
		return false, nil
	}
	return true, nil
}

// verify proves what was opened.
func (c *cardInputs) verify() (*card.Report, error) {
	switch {
	case c.image != nil:
		return card.VerifyImage(c.image, c.size)
	case c.lone:
		return card.VerifyFile(c.files[0])
	}
	return card.Verify(c.files)
}

// verifyCard proves a card and says whether it is whole.
func verifyCard(name string, c *cardInputs, out, errOut io.Writer) (whole bool, err error) {
	for _, s := range c.stray {
		fmt.Fprintf(errOut, "%s: note: %s is no file of a card and was not looked at\n", name, s)
	}
	if c.image == nil && len(c.files) == 0 {
		return false, fmt.Errorf("%s holds no file of a card", name)
	}
	r, err := c.verify()
	if errors.Is(err, card.ErrNoImage) {
		fmt.Fprintf(errOut, "%s: %v\n", name, err)
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("%s cannot be read: %w", name, reason(err))
	}
	for _, n := range r.Notes {
		fmt.Fprintf(errOut, "%s: note: %s\n", name, n)
	}
	for i := range r.Damages {
		d := &r.Damages[i]
		if c.lone {
			fmt.Fprintf(errOut, "%s: %s\n", name, d.String())
		} else {
			fmt.Fprintf(errOut, "%s: %v\n", name, d)
		}
	}
	if !r.OK() {
		fmt.Fprintf(errOut, "%s: copy the card anew from what export wrote, or export it anew\n", name)
		return false, nil
	}
	for _, f := range r.Files {
		where := filepath.Join(name, f.Name)
		if c.image != nil {
			where = name + ": " + f.Name
		} else if c.lone {
			where = name
		}
		fmt.Fprintf(out, "%s: whole (%s, %d bytes, CRC-32 %08x)\n", where, f.What, f.Size, f.CRC)
	}
	return true, nil
}
