/*
 * A rising tide, recorded: five samples a frame, pascal above the pressure of the air.
 * Frame 3 has a wave slap in it, frame 6 a trough.
 */
#include "sampler.h"

const uint32_t pressure_samples[FRAMES * SAMPLES_PER_FRAME] = {
    36812, 36840, 36795, 36823, 36831,
    37204, 37188, 37217, 37231, 37196,
    37590, 41862, 37611, 37577, 37604,
    37982, 38015, 37969, 37994, 38003,
    38377, 38391, 38368, 38402, 38385,
    38771, 38759, 38790, 35103, 38766,
    39148, 39163, 39172, 39139, 39155,
    39544, 39531, 39552, 39520, 39539,
};
