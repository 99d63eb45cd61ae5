/* A MemManage handler opens the region that was missing, and the access is done again. */
static uint32_t page[4][16] __attribute__((aligned(64)));
static volatile uint32_t opened, last;
void mem_manage_handler(void)
{
    uint32_t at = MMFAR;
    if (!(CFSR&0x80)) default_handler();
    CFSR = 0xff;
    last = (at-(uint32_t)page) / 64;
    MPU_RNR = 2;
    MPU_RBAR = (at&~63u)|2u|1u;
    MPU_RLAR = ((at&~63u) + 32)|1;
    DSB();
    ISB();
    opened++;
}
void scenario(void)
{
    SHCSR |= SHCSR_MEM_ENABLE;
    MPU_MAIR0 = 0xff;
    MPU_RNR = 0;
    MPU_RBAR = 0x10000000|6u;
    MPU_RLAR = 0x1001ffe0|1;
    MPU_RNR = 1;
    MPU_RBAR = (uint32_t)page + 256;
    MPU_RNR = 1;
    MPU_RBAR = ((OWN_RAM + 0x4000)|2u|1u);
    MPU_RLAR = (OWN_RAM + RAM_SIZE-32)|1;
    MPU_RNR = 3;
    MPU_RBAR = 0x40000000|2u|1u;
    MPU_RLAR = 0x5fffffe0|1;
    MPU_RNR = 4;
    MPU_RBAR = LINK_AREA|2u|1u;
    MPU_RLAR = (LINK_AREA + 0xfe0)|1;
    MPU_RNR = 5;
    MPU_RBAR = ((OWN_RAM)|2u|1u);
    MPU_RLAR = (((uint32_t)page-32)&~31u)|1;
    MPU_RNR = 6;
    MPU_RBAR = ((uint32_t)page + 256)|2u|1u;
    MPU_RLAR = (OWN_RAM + 0x3fe0)|1;
    if ((uint32_t)page == OWN_RAM) {
        MPU_RNR = 5;
        MPU_RLAR = 0;
    }
    DSB();
    MPU_CTRL = 1;
    ISB();
    for (int r = 0; r < 2; r++) for (int i = 0; i < 4; i++) {
        *(volatile uint32_t*)&page[i][i] = (uint32_t)(i + 1);
        *(volatile uint32_t*)&page[i][i + 1] = 7;
    }
    MPU_CTRL = 0;
    DSB();
    ISB();
    show("opened", opened);
    show("last", last);
    show("p", page[3][3]);
}
