/* Connects the tide gauge's log to the rig. This is all that has to be written for it.
 *
 *     cc -O1 -o gauge-log main.c gauge_log.c outlast_subject.c
 *     outlast torture --program ./gauge-log --sectors 2 --level F1
 */
#include "gauge_log.h"
#include "outlast_subject.h"

static struct gauge_flash flash = {outlast_read, outlast_program, outlast_erase, 0};

static enum outlast_status status(enum gauge_result result) {
    switch (result) {
    case GAUGE_OK: return OUTLAST_DONE;
    case GAUGE_ABSENT: return OUTLAST_ABSENT;
    case GAUGE_FULL: return OUTLAST_FULL;
    case GAUGE_BAD_ARGUMENT: return OUTLAST_REFUSED;
    default: return OUTLAST_BROKEN;
    }
}

static enum outlast_status open_log(const struct outlast_part *part) {
    flash.sector_bytes = part->sector_bytes;
    return status(gauge_open(&flash));
}

static enum outlast_status set(const char *key, const void *value, size_t bytes) {
    return status(gauge_set(key, value, bytes));
}

static enum outlast_status erase_key(const char *key) { return status(gauge_remove(key)); }

static enum outlast_status get(const char *key, void *value, size_t room, size_t *bytes) {
    return status(gauge_get(key, value, room, bytes));
}

int main(void) {
    struct outlast_subject subject = {
        .name = "gauge-log", .open = open_log, .put = set, .erase_key = erase_key, .get = get};
    return outlast_subject_run(&subject);
}
