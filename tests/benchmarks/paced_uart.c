/* Gives the emulated board's UART the time that a real one takes: 115 200 baud 8N1, one byte under way and one that waits.
 * (The emulator's own sends at once, whatever its divider says.) Linked between the core and the board layer's
 * board_send. For each zero byte, so for each frame, it tells on the script's UART at which tick of the board's timer
 * that byte has left: four bytes, low byte first.
 */
#include "board.h"
#include "cortex_m.h"

#define TIMER_VALUE REGISTER(0x40000004u) /* counts down from all ones at the start */
#define SCRIPT_UART_DATA REGISTER(0x40005000u)
#define SCRIPT_UART_STATE REGISTER(0x40005004u)
#define SEND_FULL 1u
#define TICKS_PER_BYTE ((25000000u * 10u + 57600u) / 115200u)

uint16_t __real_board_send(const uint8_t *bytes, uint16_t size);
uint16_t __wrap_board_send(const uint8_t *bytes, uint16_t size);

static uint32_t left_ticks; /* when all that was taken so far has left */

static void tell(uint32_t number) {
    for (uint8_t i = 0; i < 4; i++) {
        while (SCRIPT_UART_STATE & SEND_FULL) {
        }
        SCRIPT_UART_DATA = number >> (8 * i) & 0xFFu;
    }
}

uint16_t __wrap_board_send(const uint8_t *bytes, uint16_t size) {
    uint16_t taken = 0;
    while (taken < size) {
        uint32_t now_ticks = ~TIMER_VALUE;
        int32_t ahead = (int32_t)(left_ticks - now_ticks);
        if (ahead > (int32_t)TICKS_PER_BYTE || __real_board_send(bytes + taken, 1) == 0) {
            break;
        }
        left_ticks = (ahead > 0 ? left_ticks : now_ticks) + TICKS_PER_BYTE;
        if (bytes[taken++] == 0) {
            tell(left_ticks);
        }
    }
    return taken;
}
