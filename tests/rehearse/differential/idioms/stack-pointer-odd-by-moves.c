#define SEEN(words) ({ unsigned seen; __asm volatile( \
    "mov r2, sp\n movs r3, #0\n cmp r3, #0\n" words "\n mov sp, r2\n subs %0, r1, r2" \
    : "=r"(seen) : : "r0", "r1", "r2", "r3", "cc", "memory"); seen; })

void scenario(void)
{
    for (int again = 0; again < 3; again++) {
        show("mov", SEEN("subs r0, r2, #5\n mov sp, r0\n mov r1, sp"));
        show("mov.w", SEEN("subs r0, r2, #5\n mov.w sp, r0\n mov r1, sp"));
        show("sub", SEEN("sub.w sp, sp, #5\n mov r1, sp"));
        show("itmov", SEEN("subs.w r0, r2, #5\n cmp r3, #0\n itt eq\n moveq sp, r0\n moveq r1, sp"));
        show("itsub", SEEN("itt eq\n subeq.w sp, sp, #5\n moveq r1, sp"));
        show("itadd", SEEN("mvn r0, #6\n itet eq\n addeq sp, r0\n movne r1, #1\n moveq r1, sp"));
        show("itpush", SEEN("mvn r0, #6\n ittt eq\n addeq sp, r0\n pusheq {r0}\n moveq r1, sp"));
        show("itldr", SEEN("push {r2}\n subs r0, r2, #9\n str r0, [sp]\n cmp r3, #0\n itt eq\n ldreq sp, [sp]\n moveq r1, sp"));
        show("itnone", SEEN("mvn r0, #6\n mov r1, r2\n itt ne\n addne sp, r0\n movne r1, sp"));
    }
}
