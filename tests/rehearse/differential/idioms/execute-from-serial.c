void scenario(void)
{
    say("going");
    ((void(*)(void))(SERIAL|1))();
}
