NAKED void hard_fault_handler(void)
{
    __asm volatile("udf #1\n b .");
}
void scenario(void)
{
    say("going");
    __asm volatile("udf #0");
}
