/* The parts of the core that tests compare with the Python program, as functions of a shared library. */
#include "frames.h"
#include "sensing.h"

/* Returns how many edges were decided; edges has room for one per hole and scan. */
uint32_t bridge_chatter(uint32_t settle_us, uint8_t start_mask, uint32_t scans, const uint32_t *t_us,
                        const uint8_t *seen_mask, uint32_t *edge_us, uint8_t *edge_mask, uint32_t *edge_scan);
uint32_t bridge_chatter(uint32_t settle_us, uint8_t start_mask, uint32_t scans, const uint32_t *t_us,
                        const uint8_t *seen_mask, uint32_t *edge_us, uint8_t *edge_mask, uint32_t *edge_scan) {
    struct chatter chatter;
    struct edge edge;
    uint32_t edges = 0;
    chatter_start(&chatter, start_mask);
    for (uint32_t scan = 0; scan < scans; scan++) {
        chatter_see(&chatter, t_us[scan], seen_mask[scan]);
        while (chatter_decide(&chatter, t_us[scan], settle_us, &edge)) {
            edge_us[edges] = edge.first_us;
            edge_mask[edges] = edge.covered_mask;
            edge_scan[edges++] = scan;
        }
    }
    return edges;
}

void bridge_levels(const uint16_t *levels, uint32_t scans, const uint16_t *samples, uint8_t *seen_mask);
void bridge_levels(const uint16_t *levels, uint32_t scans, const uint16_t *samples, uint8_t *seen_mask) {
    struct levels each;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        each.cover_at[hole] = levels[2 * hole];
        each.uncover_at[hole] = levels[2 * hole + 1];
    }
    uint8_t seen = scans > 0 ? first_seen(&each, samples) : 0;
    for (uint32_t scan = 0; scan < scans; scan++) {
        seen = next_seen(&each, samples + scan * HOLES, seen);
        seen_mask[scan] = seen;
    }
}

/* Each payload as its size u16 and its first KEPT_MOST bytes; returns how many payloads. */
uint32_t bridge_reader(bool sysex, uint32_t size, const uint8_t *bytes, uint16_t *sizes, uint8_t *kept);
uint32_t bridge_reader(bool sysex, uint32_t size, const uint8_t *bytes, uint16_t *sizes, uint8_t *kept) {
    struct reader reader;
    uint32_t payloads = 0;
    reader_start(&reader, sysex);
    for (uint32_t i = 0; i < size; i++) {
        uint16_t length = reader_take(&reader, bytes[i]);
        if (length > 0) {
            sizes[payloads] = length;
            for (uint16_t k = 0; k < KEPT_MOST; k++) {
                kept[payloads * KEPT_MOST + k] = k < length ? reader.kept[k] : 0;
            }
            payloads++;
        }
    }
    return payloads;
}

uint16_t bridge_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out);
uint16_t bridge_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out) {
    return frame_write(sysex, payload, size, out);
}

void bridge_tables(uint8_t *standard_masks, uint8_t *sounding);
void bridge_tables(uint8_t *standard_masks, uint8_t *sounding) {
    for (uint16_t note = 0; note < NOTES; note++) {
        standard_masks[note] = STANDARD_MASKS[note];
    }
    for (uint16_t mask = 0; mask < 256; mask++) {
        sounding[mask] = SOUNDING[mask];
    }
}
