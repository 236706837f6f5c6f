#include "chanter.h"

/* All the memory of the core. */
static struct chanter chanter;

int main(void) {
    chanter_start(&chanter);
    for (;;) {
        chanter_step(&chanter);
    }
}
