/* The level without the waves, on a station that has a float unit. */
#include "station.h"

/* Each new level moves the smoothed one by a quarter of the distance. */
#define WEIGHT 0.25f

static float smoothed_metres;
static bool begun;

float trend_after(int32_t level_mm)
{
    float metres = (float)level_mm * 0.001f;

    if (begun) {
        smoothed_metres += WEIGHT * (metres - smoothed_metres);
    } else {
        smoothed_metres = metres;
        begun = true;
    }
    return smoothed_metres;
}
