void scenario(void)
{
    MSR("psp", 0x38000107);
    show("psp", MRS("psp"));
    MSR("psplim", 0x3800010F);
    show("lim", MRS("psplim"));
    MSR("control", 0xF0);
    show("ctl", MRS("control")&~8u);
    MSR("basepri", 0x1FF);
    show("bp", MRS("basepri"));
    MSR("basepri", 0);
    MSR("primask", 0xFE);
    show("pm", MRS("primask"));
    MSR("faultmask", 3);
    show("fm", MRS("faultmask"));
    MSR("faultmask", 0);
}
