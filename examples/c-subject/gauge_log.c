/* A log of records in one of two sectors. When it is full, the live records are copied into the other one.
 *
 * Sector: header {sequence number 4 bytes, mark 4 bytes}, then records {key length 1, value length 1, check 2,
 * key, value}; value length 255 removes the key. The sector with the mark and the higher number is the current one.
 *
 * A bug is left in for the rig to find: the header of the new sector is programmed before the copies, so that a
 * power cut between them leaves a current sector without some of the settings. -DHEADER_LAST compiles the order
 * that survives such a cut. */
#include "gauge_log.h"

#include <string.h>

enum { HEADER = 8, RECORD = 4, MOST_KEYS = 32, MOST_KEY = 31, MOST_VALUE = 240, REMOVED = 255 };
static const uint32_t MARK = 0x45474155; /* "UAGE" */

static const struct gauge_flash *flash;
static uint32_t base, tail, sequence; /* current sector, end of its log, its number */
static int tail_is_dirty;             /* something that is not a record follows the log */
static struct {
    char key[MOST_KEY + 1];
    uint32_t at; /* of its value */
    uint8_t bytes;
} live[MOST_KEYS];
static unsigned live_count;

/* CRC-16, polynomial 0x1021, start 0xFFFF. */
static uint16_t check(uint16_t crc, const uint8_t *data, size_t bytes) {
    while (bytes--) {
        crc ^= (uint16_t)(*data++ << 8);
        for (int bit = 0; bit < 8; bit++) crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
    }
    return crc;
}

static int find(const char *key) {
    for (unsigned i = 0; i < live_count; i++)
        if (strcmp(live[i].key, key) == 0) return (int)i;
    return -1;
}

static void forget(int index) {
    if (index >= 0) live[index] = live[--live_count];
}

static enum gauge_result remember(const char *key, uint32_t at, uint8_t bytes) {
    int index = find(key);
    if (bytes == REMOVED) {
        forget(index);
        return GAUGE_OK;
    }
    if (index < 0) {
        if (live_count == MOST_KEYS) return GAUGE_FULL;
        index = (int)live_count++;
        strcpy(live[index].key, key);
    }
    live[index].at = at;
    live[index].bytes = bytes;
    return GAUGE_OK;
}

/* Programs a record and moves *end past it. */
static enum gauge_result append(uint32_t *end, const char *key, const void *value, uint8_t bytes) {
    uint8_t record[RECORD + MOST_KEY + MOST_VALUE];
    uint8_t key_bytes = (uint8_t)strlen(key), body = bytes == REMOVED ? 0 : bytes;
    size_t whole = (size_t)RECORD + key_bytes + body;
    record[0] = key_bytes;
    record[1] = bytes;
    memcpy(record + RECORD, key, key_bytes);
    if (body) memcpy(record + RECORD + key_bytes, value, body);
    uint16_t crc = check(check(0xFFFF, record, 2), record + RECORD, (size_t)key_bytes + body);
    record[2] = (uint8_t)crc;
    record[3] = (uint8_t)(crc >> 8);
    uint32_t at = *end;
    *end += (uint32_t)whole;
    if (flash->program(at, record, whole) != 0) return GAUGE_FLASH_ERROR;
    return remember(key, at + RECORD + key_bytes, bytes);
}

/* Reads the log of the sector at base into live. */
static enum gauge_result replay(void) {
    live_count = 0;
    tail = base + HEADER;
    tail_is_dirty = 0;
    while (tail + RECORD <= base + flash->sector_bytes) {
        uint8_t head[RECORD], body[MOST_KEY + MOST_VALUE];
        if (flash->read(tail, head, RECORD) != 0) return GAUGE_FLASH_ERROR;
        if (head[0] == 0xFF && head[1] == 0xFF && head[2] == 0xFF && head[3] == 0xFF) break;
        size_t value = head[1] == REMOVED ? 0 : head[1], bytes = head[0] + value;
        tail_is_dirty = 1;
        if (head[0] > MOST_KEY || value > MOST_VALUE || tail + RECORD + bytes > base + flash->sector_bytes)
            return GAUGE_OK;
        if (flash->read(tail + RECORD, body, bytes) != 0) return GAUGE_FLASH_ERROR;
        if (check(check(0xFFFF, head, 2), body, bytes) != (head[2] | head[3] << 8)) return GAUGE_OK;
        char key[MOST_KEY + 1] = {0};
        memcpy(key, body, head[0]);
        remember(key, tail + RECORD + head[0], head[1]);
        tail_is_dirty = 0;
        tail += (uint32_t)(RECORD + bytes);
    }
    return GAUGE_OK;
}

static enum gauge_result write_header(uint32_t sector, uint32_t number) {
    uint32_t header[2] = {number, MARK};
    return flash->program(sector, header, HEADER) == 0 ? GAUGE_OK : GAUGE_FLASH_ERROR;
}

/* Copies the live records into the other sector and continues there. */
static enum gauge_result compact(void) {
    uint32_t other = base == 0 ? flash->sector_bytes : 0, end = other + HEADER;
    if (flash->erase(other, flash->sector_bytes) != 0) return GAUGE_FLASH_ERROR;
#ifndef HEADER_LAST
    if (write_header(other, sequence + 1) != GAUGE_OK) return GAUGE_FLASH_ERROR;
#endif
    for (unsigned i = 0; i < live_count; i++) {
        uint8_t value[MOST_VALUE];
        if (flash->read(live[i].at, value, live[i].bytes) != 0) return GAUGE_FLASH_ERROR;
        if (append(&end, live[i].key, value, live[i].bytes) != GAUGE_OK) return GAUGE_FLASH_ERROR;
    }
#ifdef HEADER_LAST
    if (write_header(other, sequence + 1) != GAUGE_OK) return GAUGE_FLASH_ERROR;
#endif
    base = other;
    tail = end;
    sequence++;
    tail_is_dirty = 0;
    return GAUGE_OK;
}

enum gauge_result gauge_open(const struct gauge_flash *with) {
    uint32_t header[2][2];
    flash = with;
    for (int i = 0; i < 2; i++)
        if (flash->read((uint32_t)i * flash->sector_bytes, header[i], HEADER) != 0) return GAUGE_FLASH_ERROR;
    int first = header[0][1] == MARK, second = header[1][1] == MARK;
    if (!first && !second) { /* never used */
        base = flash->sector_bytes;
        live_count = 0;
        sequence = 0;
        return compact();
    }
    int newer = second && (!first || header[1][0] > header[0][0]);
    base = newer ? flash->sector_bytes : 0;
    sequence = header[newer][0];
    return replay();
}

static enum gauge_result write(const char *key, const void *value, uint8_t bytes) {
    size_t whole = RECORD + strlen(key) + (bytes == REMOVED ? 0 : bytes);
    if (tail_is_dirty || tail + whole > base + flash->sector_bytes) {
        size_t kept = HEADER;
        for (unsigned i = 0; i < live_count; i++) kept += RECORD + strlen(live[i].key) + live[i].bytes;
        if (kept + whole > flash->sector_bytes) return GAUGE_FULL;
        enum gauge_result compacted = compact();
        if (compacted != GAUGE_OK) return compacted;
    }
    return append(&tail, key, value, bytes);
}

enum gauge_result gauge_set(const char *key, const void *value, size_t bytes) {
    if (!key[0] || strlen(key) > MOST_KEY || bytes > MOST_VALUE) return GAUGE_BAD_ARGUMENT;
    if (find(key) < 0 && live_count == MOST_KEYS) return GAUGE_FULL;
    return write(key, value, (uint8_t)bytes);
}

enum gauge_result gauge_remove(const char *key) {
    return find(key) < 0 ? GAUGE_OK : write(key, NULL, REMOVED);
}

enum gauge_result gauge_get(const char *key, void *value, size_t room, size_t *bytes) {
    int index = find(key);
    if (index < 0) return GAUGE_ABSENT;
    *bytes = live[index].bytes;
    if (*bytes > room) return GAUGE_BAD_ARGUMENT;
    return flash->read(live[index].at, value, *bytes) == 0 ? GAUGE_OK : GAUGE_FLASH_ERROR;
}
