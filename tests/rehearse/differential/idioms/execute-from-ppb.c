void scenario(void)
{
    say("going");
    ((void(*)(void))(0xE000E000|1))();
}
