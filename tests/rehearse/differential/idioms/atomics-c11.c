#include <stdatomic.h>
static atomic_uint_fast32_t a;
static _Atomic uint8_t b;
static _Atomic uint16_t c;
void scenario(void)
{
    for (uint32_t i = 0; i < 100; i++) {
        atomic_fetch_add(&a, i);
        atomic_fetch_xor(&b, (uint8_t)i);
        atomic_fetch_sub_explicit(&c, 3, memory_order_relaxed);
    }
    uint_fast32_t e = 4950;
    show("ok", atomic_compare_exchange_strong(&a,&e,7));
    show("a", atomic_load(&a));
    show("b", b);
    show("c", c);
    show("x", atomic_exchange(&a,9));
    atomic_store_explicit(&a, 3, memory_order_release);
    show("f", atomic_load_explicit(&a,memory_order_acquire));
}
