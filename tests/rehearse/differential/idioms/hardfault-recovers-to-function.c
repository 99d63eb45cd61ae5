struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
static void *saved_sp;
static volatile uint32_t recoveries;
USED void recover(struct frame *f);
NAKED uint32_t guarded(void (*work)(void))
{
    __asm volatile(
        "push {r4-r11,lr}\n ldr r1,=sp_place\n ldr r1,[r1]\n mov r2,sp\n str r2,[r1]\n blx r0\n "
        "mov r0,#0\n pop {r4-r11,pc}\n .global landing\n .thumb_func\n "
        "landing: ldr r1,=sp_place\n ldr r1,[r1]\n ldr r1,[r1]\n mov sp,r1\n mov r0,#1\n "
        "pop {r4-r11,pc}\n .ltorg\n");
}
void **const sp_place = &saved_sp;
void landing(void);
void recover(struct frame *f)
{
    recoveries++;
    CFSR = 0xffffffff;
    HFSR = 0xffffffff;
    f->pc = (uint32_t)landing&~1u;
    f->psr = (f->psr&0x200u)|0x01000000u;
}
NAKED void hard_fault_handler(void)
{
    __asm volatile("tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n b recover\n");
}
static void bad_read(void)
{
    volatile uint32_t x = REG(UNMAPPED);
    (void)x;
    mark('!');
}
static void bad_jump(void)
{
    ((void(*)(void))(UNMAPPED|1))();
    mark('!');
}
static void bad_divide(void)
{
    volatile uint32_t z = 0;
    volatile uint32_t x = 7 / z;
    (void)x;
    mark('!');
}
static void fine(void)
{
    mark('f');
}
static void bad_svc(void)
{
    CPSID();
    SVC(0);
    mark('!');
}
void scenario(void)
{
    CCR |= CCR_DIV_ZERO_TRAP;
    show("g", guarded(bad_read));
    show("g", guarded(fine));
    show("g", guarded(bad_jump));
    show("g", guarded(bad_divide));
    show("g", guarded(bad_svc));
    CPSIE();
    show("g", guarded(fine));
    show("n", recoveries);
    show_trace();
}
