#include "link.h"

/* In a section of its own, which both linker scripts put at the start of the link area. */
__attribute__((section(".link"))) volatile struct link_area link_frames;
