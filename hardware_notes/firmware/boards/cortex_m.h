/* What the boards with a Cortex-M share. */
#ifndef FINGERLEAD_CORTEX_M_H
#define FINGERLEAD_CORTEX_M_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(uintptr_t)(address))

/* Application interrupt and reset control: Armv7-M and Armv6-M Architecture Reference Manuals, B3.2. */
#define AIRCR REGISTER(0xE000ED0Cu)
#define AIRCR_RESET 0x05FA0004u

/* Clocks, pins, timers: before main. */
void board_begin(void);

/* Any of the board's own interrupts, of which it has at most INTERRUPTS. */
#define INTERRUPTS 32
void board_interrupt(void);

/* How deep the stack has been, in bytes, and how deep it may be. */
uint32_t stack_depth(void);
uint32_t stack_size(void);

/* The program has gone wrong; wait for the watchdog. */
void board_fault(void);

#endif
