/* The start of any Cortex-M: memory set up as the linker script lays it out, then main. No C library. */
#include "cortex_m.h"

#include <stddef.h>

extern uint32_t data_load[], data_start[], data_end[], bss_start[], bss_end[], stack_bottom[], stack_top[];

int main(void);

/* The compiler may call these by itself. Volatile keeps it from turning the loops into calls of themselves. */
void *memcpy(void *to, const void *from, size_t size);
void *memcpy(void *to, const void *from, size_t size) {
    volatile uint8_t *out = to;
    const uint8_t *in = from;
    while (size-- > 0) {
        *out++ = *in++;
    }
    return to;
}

void *memset(void *at, int value, size_t size);
void *memset(void *at, int value, size_t size) {
    volatile uint8_t *out = at;
    while (size-- > 0) {
        *out++ = (uint8_t)value;
    }
    return at;
}

/* What the stack is filled with, to see later how far it was written over. */
#define UNTOUCHED 0x5AFE57ACu

uint32_t stack_size(void) { return (uint32_t)((uintptr_t)stack_top - (uintptr_t)stack_bottom); }

uint32_t stack_depth(void) {
    const uint32_t *at = stack_bottom;
    while (at < stack_top && *at == UNTOUCHED) {
        at++;
    }
    return (uint32_t)((uintptr_t)stack_top - (uintptr_t)at);
}

void reset_handler(void);
void reset_handler(void) {
    for (volatile uint32_t *to = stack_bottom; to < (uint32_t *)__builtin_frame_address(0) - 16; to++) {
        *to = UNTOUCHED;
    }
    const uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;) {
        *to++ = *from++;
    }
    for (uint32_t *to = bss_start; to < bss_end;) {
        *to++ = 0;
    }
    board_begin();
    (void)main();
    board_fault();
}

static void fault_handler(void) { board_fault(); }

#define FOUR(handler) handler, handler, handler, handler
#define FOURTEEN(handler) FOUR(handler), FOUR(handler), FOUR(handler), handler, handler

__attribute__((section(".vectors"), used)) static const struct {
    uint32_t *stack;
    void (*reset)(void);
    void (*processors[14])(void);
    void (*boards[INTERRUPTS])(void);
} vectors = {
    stack_top,
    reset_handler,
    {FOURTEEN(fault_handler)},
    {FOUR(board_interrupt), FOUR(board_interrupt), FOUR(board_interrupt), FOUR(board_interrupt),
     FOUR(board_interrupt), FOUR(board_interrupt), FOUR(board_interrupt), FOUR(board_interrupt)},
};
