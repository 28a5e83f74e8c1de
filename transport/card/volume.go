package card

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// A volume is laid out by Microsoft's "FAT: General Overview of On-Disk Format",
// version 1.03 of 2000, whose names for fields stand in the comments. All that is not
// the content of a file follows from a few numbers, so that each sector can be made,
// and compared, without a copy of it.

// FAT is a kind of file allocation table.
type FAT uint8

// The kinds of FAT.
const (
	AnyFAT FAT = iota // FAT16 where it suffices
	FAT16
	FAT32
)

// Numbers of a volume. The specification counts FAT16 from 4085 to 65524 clusters and
// asks for some distance to both (16), because so many programs count wrong.
const (
	leastFAT16   = 4085 + 16
	mostFAT16    = 65524 - 16
	leastFAT32   = 65525 + 16
	mostClusters = 1<<28 - 17
	mostPerUnit  = 64 // sectors a cluster: 32 KiB, more is not read everywhere
	dirEntry     = 32
	rootFAT16    = 512 // entries, as the specification recommends
	reserved16   = 1
	reserved32   = 32
	infoSector   = 1
	backupSector = 6
	mediaType    = 0xf8
	volumeLabel  = "LIMBERJACK "
	oemName      = "LIMBERJ "
	endMark16    = 0xffff
	endMark32    = 0x0fffffff
)

// volume is the geometry of a FAT file system and what is on it.
type volume struct {
	fat      FAT
	sectors  int64 // of the volume
	cluster  int64 // sectors a cluster
	table    int64 // sectors a FAT
	clusters int64
	date     uint16
	id       uint32
	files    []place
}

// place is a file in a volume.
type place struct {
	File
	first, count int64 // clusters
}

func (v *volume) reserved() int64 {
	if v.fat == FAT32 {
		return reserved32
	}
	return reserved16
}

// rootSectors gives the sectors of the root directory of FAT16; that of FAT32 is in
// clusters.
func (v *volume) rootSectors() int64 {
	if v.fat == FAT32 {
		return 0
	}
	return rootFAT16 * dirEntry / SectorSize
}

func (v *volume) rootAt() int64 { return v.reserved() + 2*v.table }
func (v *volume) dataAt() int64 { return v.rootAt() + v.rootSectors() }

// sectorOf gives the first sector of a cluster.
func (v *volume) sectorOf(cluster int64) int64 { return v.dataAt() + (cluster-2)*v.cluster }

// rootClusters gives the clusters of the root directory of FAT32.
func (v *volume) rootClusters() int64 {
	if v.fat != FAT32 {
		return 0
	}
	return v.clustersFor(int64(len(v.files)+1) * dirEntry)
}

func (v *volume) clustersFor(bytes int64) int64 {
	unit := v.cluster * SectorSize
	return (bytes + unit - 1) / unit
}

// entryBytes gives the bytes of an entry of the FAT.
func (v *volume) entryBytes() int64 {
	if v.fat == FAT32 {
		return 4
	}
	return 2
}

// grow makes the volume hold so many clusters.
func (v *volume) grow(clusters int64) {
	v.clusters = clusters
	v.table = ((clusters+2)*v.entryBytes() + SectorSize - 1) / SectorSize
	v.sectors = v.dataAt() + clusters*v.cluster
}

// fill makes the volume as large as so many sectors allow.
func (v *volume) fill(sectors int64) {
	v.table = 0
	for range 3 { // a larger table leaves fewer clusters, which need no larger table
		v.clusters = max(0, (sectors-v.dataAt())/v.cluster)
		v.table = ((v.clusters+2)*v.entryBytes() + SectorSize - 1) / SectorSize
	}
	v.clusters = max(0, (sectors-v.dataAt())/v.cluster)
	v.sectors = sectors
}

// put gives the files their clusters, one behind the other, and says whether there is
// room.
func (v *volume) put(files []File) bool {
	v.files = make([]place, len(files))
	next := 2 + v.rootClusters()
	for i, f := range files {
		n := v.clustersFor(f.Size)
		v.files[i] = place{f, next, n}
		next += n
	}
	return next-2 <= v.clusters
}

// allowed says whether the number of clusters is one that the kind of FAT has.
func (v *volume) allowed() bool {
	if v.fat == FAT32 {
		return v.clusters >= leastFAT32 && v.clusters <= mostClusters && v.sectors <= math.MaxUint32
	}
	return v.clusters >= leastFAT16 && v.clusters <= mostFAT16
}

// newVolume chooses a geometry: of a size in bytes, or the smallest where that is 0.
// Clusters are as large as they can be. A size is rounded down to sectors.
func newVolume(files []File, fat FAT, size int64) (*volume, error) {
	if len(files)+1 > rootFAT16 {
		return nil, fmt.Errorf("the card has %d files, and a root directory holds %d: use a directory and a card of your own", len(files), rootFAT16-1)
	}
	kinds := []FAT{fat}
	if fat == AnyFAT {
		kinds = []FAT{FAT16, FAT32}
	}
	roomy := false
	for _, kind := range kinds {
		for unit := int64(mostPerUnit); unit >= 1; unit /= 2 {
			v := &volume{fat: kind, cluster: unit}
			fits := v.tailor(files, size)
			roomy = roomy || fits
			if fits && v.allowed() {
				return v, nil
			}
		}
	}
	need := &volume{fat: kinds[0], cluster: 1}
	need.tailor(files, 0)
	switch {
	case size == 0:
		return nil, errors.New("the files are too large for a FAT volume")
	case !roomy || size < need.sectors*SectorSize:
		return nil, fmt.Errorf("an image of %d bytes is too small: %s needs at least %d", size, map[FAT]string{AnyFAT: "it", FAT16: "FAT16", FAT32: "FAT32"}[fat], need.sectors*SectorSize)
	}
	return nil, fmt.Errorf("an image of %d bytes is too large: FAT%s has at most %d", size, map[FAT]string{FAT16: "16"}[fat], largest(fat))
}

// largest gives the most bytes of a volume.
func largest(fat FAT) int64 {
	if fat != FAT16 {
		return math.MaxUint32 * SectorSize
	}
	v := &volume{fat: FAT16, cluster: mostPerUnit}
	v.grow(mostFAT16)
	return v.sectors * SectorSize
}

// Check is an error where no card whatever can have such an image, so that it is known before
// a show is read.
func (o ImageOptions) Check() error {
	_, err := newVolume([]File{{Name: IndexName, Size: 2 * SectorSize}}, o.FAT, o.Size)
	return err
}

// tailor gives the volume a size in bytes, or the least that is allowed and holds the
// files, and says whether they fit.
func (v *volume) tailor(files []File, size int64) bool {
	if size > 0 {
		v.fill(size / SectorSize)
		return v.put(files)
	}
	v.put(files)
	used := v.rootClusters()
	for _, p := range v.files {
		used += p.count
	}
	least := int64(leastFAT16)
	if v.fat == FAT32 {
		least = leastFAT32
	}
	if used < least && v.cluster > 1 {
		v.grow(used)
		return true // clusters of this size are too few: allowed says so
	}
	v.grow(max(used, least))
	return v.put(files)
}

// sector makes a sector of the volume that is no content of a file, and says what it
// belongs to.
func (v *volume) sector(n int64, s []byte) (what string) {
	clear(s)
	res := v.reserved()
	switch {
	case n == 0 || v.fat == FAT32 && n == backupSector:
		v.boot(s)
		return [...]string{"the boot sector", "the copy of the boot sector"}[min(n, 1)]
	case v.fat == FAT32 && (n == infoSector || n == backupSector+infoSector):
		v.info(s)
		return "the FSInfo sector"
	case n < res:
		return "reserved sectors"
	case n < res+v.table:
		v.chain(n-res, s)
		return "the first FAT"
	case n < v.rootAt():
		v.chain(n-res-v.table, s)
		return "the second FAT"
	case n < v.dataAt():
		v.root(n-v.rootAt(), s)
		return "the root directory"
	case v.fat == FAT32 && n < v.sectorOf(2+v.rootClusters()):
		v.root(n-v.dataAt(), s)
		return "the root directory"
	}
	return "free space"
}

// boot makes the boot sector (BPB).
func (v *volume) boot(s []byte) {
	copy(s, []byte{0xeb, 0x3c, 0x90}) // BS_jmpBoot; there is nothing to boot
	copy(s[3:11], oemName)            // BS_OEMName
	le.PutUint16(s[11:], SectorSize)  // BPB_BytsPerSec
	s[13] = byte(v.cluster)           // BPB_SecPerClus
	le.PutUint16(s[14:], uint16(v.reserved()))
	s[16] = 2 // BPB_NumFATs
	s[21] = mediaType
	le.PutUint16(s[24:], 63)  // BPB_SecPerTrk, of no meaning on a card
	le.PutUint16(s[26:], 255) // BPB_NumHeads, likewise
	if v.sectors <= math.MaxUint16 && v.fat != FAT32 {
		le.PutUint16(s[19:], uint16(v.sectors)) // BPB_TotSec16
	} else {
		le.PutUint32(s[32:], uint32(v.sectors)) // BPB_TotSec32
	}
	tail, kind := s[36:], "FAT16   "
	if v.fat == FAT32 {
		s[1] = 0x58
		le.PutUint32(s[36:], uint32(v.table)) // BPB_FATSz32
		le.PutUint32(s[44:], 2)               // BPB_RootClus
		le.PutUint16(s[48:], infoSector)      // BPB_FSInfo
		le.PutUint16(s[50:], backupSector)    // BPB_BkBootSec
		tail, kind = s[64:], "FAT32   "
	} else {
		le.PutUint16(s[17:], rootFAT16)       // BPB_RootEntCnt
		le.PutUint16(s[22:], uint16(v.table)) // BPB_FATSz16
	}
	tail[0] = 0x80                // BS_DrvNum
	tail[2] = 0x29                // BS_BootSig
	le.PutUint32(tail[3:], v.id)  // BS_VolID
	copy(tail[7:18], volumeLabel) // BS_VolLab
	copy(tail[18:26], kind)       // BS_FilSysType
	le.PutUint16(s[510:], 0xaa55) // signature
}

// info makes the FSInfo sector of FAT32.
func (v *volume) info(s []byte) {
	used := v.rootClusters()
	for _, p := range v.files {
		used += p.count
	}
	le.PutUint32(s, 0x41615252)                              // FSI_LeadSig
	le.PutUint32(s[484:], 0x61417272)                        // FSI_StrucSig
	le.PutUint32(s[488:], uint32(v.clusters-used))           // FSI_Free_Count
	le.PutUint32(s[492:], uint32(min(v.clusters+1, 2+used))) // FSI_Nxt_Free
	le.PutUint32(s[508:], 0xaa550000)                        // FSI_TrailSig
}

// chain makes the i-th sector of a FAT.
func (v *volume) chain(i int64, s []byte) {
	each := SectorSize / v.entryBytes()
	for j := range each {
		e := v.entry(i*each + j)
		if v.fat == FAT32 {
			le.PutUint32(s[4*j:], e)
		} else {
			le.PutUint16(s[2*j:], uint16(e))
		}
	}
}

// entry gives the entry of a cluster: the next one of its file.
func (v *volume) entry(cluster int64) uint32 {
	end := uint32(endMark16)
	if v.fat == FAT32 {
		end = endMark32
	}
	switch {
	case cluster == 0:
		return end&^0xff | mediaType
	case cluster == 1:
		return end
	case cluster < 2+v.rootClusters():
		return link(cluster, 2, v.rootClusters(), end)
	}
	for i := range v.files {
		if p := &v.files[i]; cluster < p.first+p.count {
			return link(cluster, p.first, p.count, end)
		}
	}
	return 0
}

func link(cluster, first, count int64, end uint32) uint32 {
	if cluster == first+count-1 {
		return end
	}
	return uint32(cluster + 1)
}

// root makes the i-th sector of the root directory.
func (v *volume) root(i int64, s []byte) {
	const each = SectorSize / dirEntry
	for j := range int64(each) {
		n, e := i*each+j, s[j*dirEntry:][:dirEntry]
		switch {
		case n == 0:
			copy(e, volumeLabel) // DIR_Name
			e[11] = 0x08         // ATTR_VOLUME_ID
			v.stamp(e)
		case n <= int64(len(v.files)):
			v.files[n-1].entry(e)
			v.stamp(e)
		}
	}
}

// stamp sets the dates of an entry.
func (v *volume) stamp(e []byte) {
	le.PutUint16(e[24:], v.date) // DIR_WrtDate
	if e[11] != 0x08 {
		le.PutUint16(e[16:], v.date) // DIR_CrtDate
		le.PutUint16(e[18:], v.date) // DIR_LstAccDate
	}
}

func (p *place) entry(e []byte) {
	putShort(e, p.Name)
	e[11] = 0x20 // ATTR_ARCHIVE
	first := p.first
	if p.count == 0 {
		first = 0
	}
	le.PutUint16(e[20:], uint16(first>>16)) // DIR_FstClusHI
	le.PutUint16(e[26:], uint16(first))     // DIR_FstClusLO
	le.PutUint32(e[28:], uint32(p.Size))    // DIR_FileSize
}

// putShort writes a name of eight and three characters.
func putShort(e []byte, name string) {
	for i := range 11 {
		e[i] = ' '
	}
	at := 0
	for i := range len(name) {
		if name[i] == '.' {
			at = 8
			continue
		}
		e[at] = name[i]
		at++
	}
}

// shortOf is the inverse.
func shortOf(e []byte) string {
	trim := func(b []byte) string {
		n := len(b)
		for n > 0 && b[n-1] == ' ' {
			n--
		}
		return string(b[:n])
	}
	base, ext := trim(e[:8]), trim(e[8:11])
	if ext == "" {
		return base
	}
	return base + "." + ext
}

// firstDate is the first day that FAT knows.
const firstDate = "1980-01-01"

// dateOf gives a date as FAT has it; empty is the first.
func dateOf(s string) (uint16, error) {
	if s == "" {
		s = firstDate
	}
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("%q is no date: write it as 2025-06-30", s)
	}
	if t.Year() < 1980 || t.Year() > 2107 {
		return 0, fmt.Errorf("a FAT file system has no %d: give a year from 1980 to 2107", t.Year())
	}
	return uint16(t.Year()-1980)<<9 | uint16(t.Month())<<5 | uint16(t.Day()), nil
}
