/* Settings of an invented tide gauge, kept alternately in two sectors. Written for this example in the style of
 * storage code as found in devices. It knows nothing of the rig. */
#ifndef GAUGE_LOG_H
#define GAUGE_LOG_H

#include <stddef.h>
#include <stdint.h>

/* Your flash driver. The functions return 0 if they succeed. */
struct gauge_flash {
    int (*read)(uint32_t address, void *data, size_t bytes);
    int (*program)(uint32_t address, const void *data, size_t bytes);
    int (*erase)(uint32_t address, size_t bytes);
    uint32_t sector_bytes;
};

enum gauge_result { GAUGE_OK, GAUGE_ABSENT, GAUGE_FULL, GAUGE_BAD_ARGUMENT, GAUGE_FLASH_ERROR };

enum gauge_result gauge_open(const struct gauge_flash *flash);
enum gauge_result gauge_set(const char *key, const void *value, size_t bytes);
enum gauge_result gauge_remove(const char *key);
enum gauge_result gauge_get(const char *key, void *value, size_t room, size_t *bytes);

#endif
