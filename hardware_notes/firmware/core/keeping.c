#include "keeping.h"

#include "frames.h"

/* A page: mark "FL", version, a spare byte, counter u32, boot number u16, (cover at u16, uncover at u16) x 8, the counter
 * again, check u16. A page that was cut off anywhere between has two different counters, whatever its check says. */
enum {
    AT_VERSION = 2,
    AT_COUNTER = 4,
    AT_BOOT = 8,
    AT_LEVELS = 10,
    AT_AGAIN = AT_LEVELS + 4 * HOLES,
    AT_CHECK = AT_AGAIN + 4
};
_Static_assert(AT_CHECK + CHECK_BYTES == PAGE_BYTES, "a page is full");

#define VERSION 1

static uint16_t page_check(const uint8_t *page) {
    uint16_t check = CHECK_START;
    for (uint8_t i = 0; i < AT_CHECK; i++) {
        check = check_step(check, page[i]);
    }
    return check;
}

static void read_levels(const uint8_t *page, struct levels *levels) {
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        levels->cover_at[hole] = get_u16(page + AT_LEVELS + 4 * hole);
        levels->uncover_at[hole] = get_u16(page + AT_LEVELS + 4 * hole + 2);
    }
}

static bool whole(const uint8_t *page) {
    return page[0] == 'F' && page[1] == 'L' && page[AT_VERSION] == VERSION &&
           get_u32(page + AT_COUNTER) == get_u32(page + AT_AGAIN) && get_u16(page + AT_CHECK) == page_check(page);
}

uint16_t keeping_load(struct keeping *keeping, struct levels *levels) {
    bool found = false;
    keeping->busy = false;
    keeping->slot = SLOTS - 1; /* so that the first page of all goes to slot 0 */
    for (uint8_t i = 0; i < PAGE_BYTES; i++) {
        keeping->page[i] = 0;
    }
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        levels->cover_at[hole] = board.cover_at;
        levels->uncover_at[hole] = board.uncover_at;
    }
    for (uint8_t slot = 0; slot < SLOTS; slot++) {
        uint8_t page[PAGE_BYTES];
        struct levels stored;
        if (!board_load(slot, page) || !whole(page)) {
            continue;
        }
        read_levels(page, &stored);
        /* The difference, not the order, tells the newer one: the counter may wrap. */
        uint32_t newer_by = get_u32(page + AT_COUNTER) - get_u32(keeping->page + AT_COUNTER);
        if (!levels_sound(&stored) || (found && newer_by > INT32_MAX)) {
            continue;
        }
        found = true;
        keeping->slot = slot;
        *levels = stored;
        for (uint8_t i = 0; i < PAGE_BYTES; i++) {
            keeping->page[i] = page[i];
        }
    }
    return get_u16(keeping->page + AT_BOOT);
}

void keeping_begin(struct keeping *keeping, const struct levels *levels, uint16_t boot) {
    uint8_t *page = keeping->page;
    uint32_t counter = get_u32(page + AT_COUNTER) + 1;
    page[0] = 'F';
    page[1] = 'L';
    page[AT_VERSION] = VERSION;
    put_u32(page + AT_COUNTER, counter);
    put_u32(page + AT_AGAIN, counter);
    put_u16(page + AT_BOOT, boot);
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        put_u16(page + AT_LEVELS + 4 * hole, levels->cover_at[hole]);
        put_u16(page + AT_LEVELS + 4 * hole + 2, levels->uncover_at[hole]);
    }
    put_u16(page + AT_CHECK, page_check(page));
    keeping->slot = (uint8_t)((keeping->slot + 1) % SLOTS);
    keeping->busy = true;
}

enum stored keeping_go_on(struct keeping *keeping) {
    enum stored how = board_store(keeping->slot, keeping->page);
    if (how != STILL_STORING) {
        keeping->busy = false;
    }
    if (how == NOT_STORED) {
        /* The slot is spoilt: the next attempt goes to it again, and leaves the good one alone. */
        keeping->slot = (uint8_t)((keeping->slot + SLOTS - 1) % SLOTS);
    }
    return how;
}
