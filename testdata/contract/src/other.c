/* A second source of one side, so that a type is defined in two units. */
#include "link.h"

__attribute__((used)) struct link_sample kept_samples[2];
__attribute__((used)) struct link_frame *kept_frame;
