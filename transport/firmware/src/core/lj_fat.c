/* Sectors of a card, and files in them. */
#include "lj_fat.h"

#ifdef LJ_SHOW_PRINT /* the board plays from a card */

#include <string.h>

#if LJ_FAT_EXTENTS < 2 || LJ_FAT_EXTENTS > 64
#error "LJ_FAT_EXTENTS must be from 2 to 64"
#endif

lj_sector_memory lj_sector_of_card;

/* ---- the card ---- */

/* Cards keep to 100 ms a read and 1 s a start by the SD Specifications, Part 1, Physical
 * Layer Simplified Specification, 4.6.2.1 and 4.2.3 (from memory); some do not. */
#define READ_US 500000u
#define START_US 2000000u
#define TRIES 2u /* of a sector, one after the other */
#define PAUSE_LEAST_MS 100u
#define PAUSE_MOST_MS 6400u
#define NOWHERE 0xffffffffu

enum { CARD_OFF, CARD_STARTING, CARD_READY, CARD_READING, CARD_RESTING };

static struct {
    uint32_t lba;   /* of lj_sector, or what is being read */
    uint32_t since; /* when what goes on began, us */
    uint16_t pause; /* ms before the card is started again */
    uint8_t state;
    uint8_t tries;  /* of this sector that have failed */
    uint8_t misses; /* sectors that have failed since one was read */
    bool fresh;
} card;

static void start_card(void)
{
    card.lba = NOWHERE;
    card.state = CARD_STARTING;
    card.since = lj.now;
    lj_port_card_begin();
}

static void start_read(uint32_t lba)
{
    card.lba = lba;
    card.state = CARD_READING;
    card.since = lj.now;
    card.fresh = false;
    lj_port_card_read(lba);
}

/* Takes note of a failure. A card that does not answer gets a rest that grows, and is begun
 * anew; so is one that fails at one sector after another. */
static uint8_t fail(bool mute)
{
    card.lba = NOWHERE;
    card.state = CARD_READY;
    card.tries++;
    if (card.tries >= TRIES && card.misses < 0xffu) {
        card.misses++;
    }
    if (mute) {
        card.state = CARD_RESTING;
        card.since = lj.now;
        card.pause = card.pause < PAUSE_LEAST_MS ? PAUSE_LEAST_MS : (uint16_t)(card.pause * 2u);
        if (card.pause > PAUSE_MOST_MS) {
            card.pause = PAUSE_MOST_MS;
        }
    } else if (card.misses > 1u) {
        card.state = CARD_OFF;
    } else {
        /* it is the sector that is bad */
    }
    if (card.tries < TRIES) {
        return LJ_BUSY;
    }
    card.tries = 0;
    return LJ_FAILED;
}

/* What the port says of what goes on, and false where that takes too long. */
static bool poll(uint32_t most, uint8_t *outcome)
{
    *outcome = lj_port_card_poll();
    return *outcome != LJ_BUSY || lj.now - card.since <= most;
}

static uint8_t starting(void)
{
    uint8_t outcome;
    if (!poll(START_US, &outcome) || outcome == LJ_FAILED) {
        return fail(true);
    }
    if (outcome == LJ_DONE) {
        card.state = CARD_READY;
    }
    return LJ_BUSY;
}

static uint8_t reading(uint32_t lba)
{
    uint8_t outcome;
    if (!poll(READ_US, &outcome)) {
        return fail(true);
    }
    if (outcome == LJ_FAILED) {
        return fail(false);
    }
    if (outcome == LJ_BUSY) {
        return LJ_BUSY;
    }
    card.state = CARD_READY;
    card.pause = 0;
    card.tries = 0;
    card.misses = 0;
    card.fresh = true;
    return card.lba == lba ? LJ_DONE : LJ_BUSY;
}

/* Brings a sector of the card into memory. */
static uint8_t sector(uint32_t lba)
{
    switch (card.state) {
    case CARD_OFF:
        start_card();
        return LJ_BUSY;
    case CARD_STARTING:
        return starting();
    case CARD_READING:
        return reading(lba);
    case CARD_RESTING:
        if (lj.now - card.since >= card.pause * (uint32_t)1000u) {
            start_card();
        }
        return LJ_BUSY;
    default:
        if (card.lba == lba) {
            return LJ_DONE;
        }
        start_read(lba);
        return LJ_BUSY;
    }
}

bool lj_fat_fresh(void)
{
    bool fresh = card.fresh;
    card.fresh = false;
    return fresh;
}

/* ---- the volume ---- */

#define FIRST_CLUSTER 2u
#define LEAST_16 4085u  /* clusters; fewer are FAT12 */
#define LEAST_32 65525u /* clusters */
#define ENTRY_SIZE 32u
#define MOST_FAT 0x200000u /* sectors that 2^28 clusters take */
#define ROOT_MOST 0x10000u /* sectors of a root directory: 2 MiB, by the standard */

static struct {
    uint32_t fat;      /* first sector of the first FAT */
    uint32_t data;     /* first sector of cluster 2 */
    uint32_t root;     /* FAT32: first cluster, else first sector */
    uint32_t clusters; /* that there are */
    uint16_t entries;  /* FAT16: sectors of the root directory */
    uint8_t shift;     /* log2 of the sectors of a cluster */
    bool wide;         /* FAT32 */
    uint8_t step;
} volume;

/* A run of clusters that follow each other. */
static uint32_t extent_from[LJ_FAT_EXTENTS];
static uint16_t extent_count[LJ_FAT_EXTENTS];

static struct {
    uint32_t sectors;
    uint8_t first; /* of its extents */
    uint8_t count;
} files[LJ_FILES];

/* A place in a chain: of a file's clusters, or of a directory's sectors. */
static struct {
    uint32_t at;      /* how far from the beginning, clusters or sectors */
    uint32_t cluster;
    uint8_t owner;
    uint8_t step;
} cursor;

enum { OWNER_NONE = LJ_FILES, OWNER_SEARCH };

void lj_fat_begin(void)
{
    (void)memset(&volume, 0, sizeof volume);
    (void)memset(files, 0, sizeof files);
    (void)memset(&cursor, 0, sizeof cursor);
    cursor.owner = OWNER_NONE;
    if (card.state == CARD_READY) { /* another card may be in its place */
        card.state = CARD_OFF;
    }
    card.tries = 0;
}

static uint16_t get16(uint16_t at)
{
    return lj_get16(lj_sector + at);
}

static uint32_t get32(uint16_t at)
{
    return lj_get32(lj_sector + at);
}

static bool signed_sector(void)
{
    return lj_sector[510] == 0x55u && lj_sector[511] == 0xaau;
}

static bool boot_sector(void)
{
    return (lj_sector[0] == 0xebu || lj_sector[0] == 0xe9u) && get16(11) == LJ_SECTOR_SIZE && signed_sector();
}

/* The first sector of the first partition with FAT; 0 where there is none. */
static uint32_t partition(void)
{
    uint8_t i;
    if (!signed_sector()) {
        return 0;
    }
    for (i = 0; i < 4u; i++) {
        uint16_t at = (uint16_t)(446u + 16u * i);
        switch (lj_sector[at + 4u]) {
        case 0x04: case 0x06: case 0x0e: case 0x0b: case 0x0c:
            return get32((uint16_t)(at + 8u));
        default:
            break;
        }
    }
    return 0;
}

/* The logarithm of a power of two up to 128; 8 where it is none. */
static uint8_t log2_of(uint8_t x)
{
    uint8_t n = 0;
    while (n < 8u && x != (uint8_t)(1u << n)) {
        n++;
    }
    return n;
}

/* Takes the numbers of a boot sector that begins the volume, and is false where they are
 * none of FAT16 or FAT32. */
static bool take_boot(uint32_t begin)
{
    uint32_t fat = get16(22) != 0u ? get16(22) : get32(36);
    uint32_t total = get16(19) != 0u ? get16(19) : get32(32);
    uint32_t ahead = get16(14);
    uint8_t fats = lj_sector[16];
    volume.shift = log2_of(lj_sector[13]);
    volume.entries = (uint16_t)((get16(17) + 15u) / 16u);
    if (!boot_sector() || volume.shift > 7u || ahead == 0u || fats == 0u || fats > 4u || fat == 0u || fat > MOST_FAT) {
        return false;
    }
    volume.fat = begin + ahead;
    for (; fats > 0u; fats--) {
        ahead += fat;
    }
    volume.root = begin + ahead;
    ahead += volume.entries;
    if (total <= ahead || NOWHERE - total < begin) {
        return false;
    }
    volume.data = begin + ahead;
    volume.clusters = (total - ahead) >> volume.shift;
    /* The standard tells the kinds apart by the clusters; there are small FAT32 volumes all
     * the same, and only they have no size of 16 bits. */
    volume.wide = get16(22) == 0u;
    if (volume.wide) {
        volume.root = get32(44);
        if (get16(42) != 0u || volume.entries != 0u) {
            return false;
        }
    } else if (volume.clusters < LEAST_16 || volume.clusters >= LEAST_32) {
        return false;
    } else {
        /* FAT16 */
    }
    /* Each cluster has to have its place in the FAT. */
    return (volume.clusters + FIRST_CLUSTER - 1u) >> (volume.wide ? 7u : 8u) < fat;
}

uint8_t lj_fat_mount(void)
{
    uint8_t outcome = sector(volume.step == 0u ? 0u : volume.root);
    if (outcome != LJ_DONE) {
        return outcome;
    }
    if (volume.step == 0u && !boot_sector()) {
        volume.root = partition();
        volume.step = 1;
        return volume.root == 0u ? LJ_ABSENT : LJ_BUSY;
    }
    return take_boot(volume.step == 0u ? 0u : volume.root) ? LJ_DONE : LJ_ABSENT;
}

/* ---- chains ---- */

static bool exists(uint32_t cluster)
{
    return cluster >= FIRST_CLUSTER && cluster - FIRST_CLUSTER < volume.clusters;
}

static uint32_t sector_of(uint32_t cluster)
{
    return volume.data + ((cluster - FIRST_CLUSTER) << volume.shift);
}

/* The sector of the FAT in which a cluster's successor stands. */
static uint32_t fat_sector(uint32_t cluster)
{
    return volume.fat + (cluster >> (volume.wide ? 7u : 8u));
}

/* The successor, where that sector is in memory. */
static uint32_t successor(uint32_t cluster)
{
    if (volume.wide) {
        return get32((uint16_t)((cluster & 0x7fu) * 4u)) & 0x0fffffffu;
    }
    return get16((uint16_t)((cluster & 0xffu) * 2u));
}

/* Goes along the chain until the cursor is at a place, as far as one sector of the FAT
 * leads. LJ_ABSENT: the chain ends before, or leads to nowhere. */
static uint8_t walk(uint32_t to)
{
    uint32_t fat;
    uint8_t outcome, n = 0;
    if (cursor.at >= to) {
        return LJ_DONE;
    }
    fat = fat_sector(cursor.cluster);
    outcome = sector(fat);
    if (outcome != LJ_DONE) {
        return outcome;
    }
    while (cursor.at < to && fat_sector(cursor.cluster) == fat) {
        uint32_t next = successor(cursor.cluster);
        if (!exists(next)) {
            return LJ_ABSENT;
        }
        cursor.cluster = next;
        cursor.at++;
        n++;
        if (n == 0u) { /* 256, as many as a sector tells of: the chain may lead back into itself */
            break;
        }
    }
    return cursor.at >= to ? LJ_DONE : LJ_BUSY;
}

/* ---- the root directory ---- */

enum {
    STEP_SEARCH, /* the name is looked for */
    STEP_MAP,    /* the pieces are remembered */
    STEP_PROVE   /* there is no memory for more; the rest of the chain is only proved */
};

/* The sector of the root directory that is `at` sectors from its beginning. */
static uint8_t root_sector(uint32_t at)
{
    uint8_t outcome;
    if (!volume.wide) {
        return at < volume.entries ? sector(volume.root + at) : LJ_ABSENT;
    }
    if (at >= ROOT_MOST) {
        return LJ_ABSENT;
    }
    outcome = walk(at >> volume.shift);
    if (outcome != LJ_DONE) {
        return outcome;
    }
    return sector(sector_of(cursor.cluster) + (at & ((1u << volume.shift) - 1u)));
}

/* Looks for a name in the sector of a directory: the place of its entry, or
 * LJ_SECTOR_SIZE, and whether the directory ends. */
static uint16_t find(const uint8_t *name, bool *end)
{
    uint16_t at;
    *end = false;
    for (at = 0; at < LJ_SECTOR_SIZE; at = (uint16_t)(at + ENTRY_SIZE)) {
        if (lj_sector[at] == 0u) {
            *end = true;
            break;
        }
        /* Neither a volume's label, nor a part of a long name, nor a directory. */
        if ((lj_sector[at + 11u] & 0x18u) == 0u && memcmp(lj_sector + at, name, 11) == 0) {
            return at;
        }
    }
    return LJ_SECTOR_SIZE;
}

/* Adds a cluster to the pieces of a file; false where there is no memory for it. */
static bool remember(uint8_t file, uint32_t cluster)
{
    uint8_t n = files[file].count, i = (uint8_t)(files[file].first + n);
    if (n > 0u && extent_from[i - 1u] + extent_count[i - 1u] == cluster && extent_count[i - 1u] < 0xffffu) {
        extent_count[i - 1u]++;
        return true;
    }
    if (i >= LJ_FAT_EXTENTS || (file == LJ_FILE_INDEX && n > 0u)) {
        return false;
    }
    extent_from[i] = cluster;
    extent_count[i] = 1;
    files[file].count++;
    return true;
}

/* How many clusters of a file the pieces hold. */
static uint32_t known(uint8_t file)
{
    uint32_t sum = 0;
    uint8_t i;
    for (i = 0; i < files[file].count; i++) {
        sum += extent_count[files[file].first + i];
    }
    return sum;
}

/* How many clusters the file takes. */
static uint32_t length(uint8_t file)
{
    uint32_t most = ((uint32_t)1u << volume.shift) - 1u;
    return (files[file].sectors + most) >> volume.shift;
}

/* Takes a directory's entry. */
static uint8_t take_entry(uint8_t file, uint16_t at)
{
    uint32_t size = get32((uint16_t)(at + 28u)), cluster = get16((uint16_t)(at + 26u));
    if (volume.wide) {
        cluster |= (uint32_t)get16((uint16_t)(at + 20u)) << 16;
    }
    files[file].sectors = size % LJ_SECTOR_SIZE == 0u ? size / LJ_SECTOR_SIZE : 0u;
    files[file].first = file == LJ_FILE_INDEX ? 0u : files[LJ_FILE_INDEX].count;
    files[file].count = 0;
    if (files[file].sectors == 0u || !exists(cluster)) {
        files[file].sectors = 0;
        return LJ_DONE;
    }
    (void)remember(file, cluster); /* the first piece has room */
    cursor.owner = file;
    cursor.at = 0;
    cursor.cluster = cluster;
    cursor.step = STEP_MAP;
    return LJ_BUSY;
}

static uint8_t search(uint8_t file, const uint8_t *name)
{
    uint32_t at = files[file].sectors; /* not used otherwise until it is found */
    uint16_t place;
    bool end;
    uint8_t outcome = root_sector(at);
    if (outcome != LJ_DONE) {
        return outcome;
    }
    place = find(name, &end);
    if (place < LJ_SECTOR_SIZE) {
        return take_entry(file, place);
    }
    files[file].sectors++;
    return end ? LJ_ABSENT : LJ_BUSY;
}

/* Clusters that one step remembers. */
#define MAP_STEP 64u

/* Remembers the pieces of a file, as far as one step leads. */
static uint8_t map(uint8_t file, uint32_t last)
{
    uint8_t outcome = LJ_DONE, n;
    for (n = 0; n < MAP_STEP && cursor.at < last && outcome == LJ_DONE; n++) {
        outcome = walk(cursor.at + 1u);
        if (outcome == LJ_DONE && !remember(file, cursor.cluster)) {
            cursor.step = STEP_PROVE;
            break;
        }
    }
    return outcome == LJ_DONE && cursor.at < last ? LJ_BUSY : outcome;
}

/* Goes along the whole chain of a file. One that ends too early has no sectors, nor has one
 * that claims more clusters than there are: its chain leads back into itself. */
static uint8_t follow(uint8_t file)
{
    uint32_t last = length(file) - 1u;
    uint8_t outcome = LJ_ABSENT;
    if (last < volume.clusters) {
        outcome = cursor.step == STEP_MAP ? map(file, last) : walk(last);
    }
    if (outcome == LJ_ABSENT) {
        files[file].sectors = 0;
        outcome = LJ_DONE;
    }
    return outcome;
}

uint8_t lj_fat_open(uint8_t file, const uint8_t *name)
{
    uint8_t outcome;
    if (cursor.owner != file && cursor.owner != OWNER_SEARCH) {
        cursor.owner = OWNER_SEARCH;
        cursor.step = STEP_SEARCH;
        cursor.at = 0;
        cursor.cluster = volume.root;
        files[file].sectors = 0;
        if (volume.wide && !exists(volume.root)) {
            return LJ_ABSENT;
        }
    }
    outcome = cursor.step == STEP_SEARCH ? search(file, name) : follow(file);
    if (outcome != LJ_BUSY) {
        cursor.owner = OWNER_NONE;
    }
    if (outcome == LJ_FAILED || outcome == LJ_ABSENT) {
        files[file].sectors = 0;
    }
    return outcome;
}

uint32_t lj_fat_sectors(uint8_t file)
{
    return files[file].sectors;
}

/* Finds the cluster of a file, in the pieces or by the chain. */
static uint8_t locate(uint8_t file, uint32_t n, uint32_t *cluster)
{
    uint8_t i, last = (uint8_t)(files[file].first + files[file].count - 1), outcome;
    uint32_t left = n;
    for (i = files[file].first; i <= last; i++) {
        if (left < extent_count[i]) {
            *cluster = extent_from[i] + left;
            return LJ_DONE;
        }
        left -= extent_count[i];
    }
    if (cursor.owner != file || cursor.at > n) {
        cursor.owner = file;
        cursor.at = known(file) - 1u;
        cursor.cluster = extent_from[last] + extent_count[last] - 1u;
    }
    outcome = walk(n);
    *cluster = cursor.cluster;
    return outcome;
}

uint8_t lj_fat_read(uint8_t file, uint32_t n)
{
    uint32_t cluster;
    uint8_t outcome;
    if (n >= files[file].sectors) {
        return LJ_ABSENT;
    }
    outcome = locate(file, n >> volume.shift, &cluster);
    if (outcome != LJ_DONE) {
        return outcome;
    }
    return sector(sector_of(cluster) + (n & ((1u << volume.shift) - 1u)));
}

#endif
