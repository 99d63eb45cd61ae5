/* The other core of a product whose first one is looked at: it starts, says so and sleeps. */
#include "board.h"

void doorbell_handler(void)
{
    for (;;) {
    }
}

int main(void)
{
#ifdef STATION
    release_sampler();
#endif
    put_text(NAME "up\n" NAME "done\n");
    return 0;
}
