/* From pressure to level. */
#include "sampler.h"

/*
 * One millimetre of sea water: 1025 kg/m3 times 9.810 m/s2 times 1 mm makes
 * 10.055 Pa, here in thousandths of a pascal.
 */
#define MILLIPASCAL_PER_MM 10055u

/* The sensor sits 2.480 m below chart datum. */
#define SENSOR_LEVEL_MM (-2480)

int32_t level_from_pressure(uint32_t pressure_pa)
{
    uint32_t depth_mm = (pressure_pa * 1000u + MILLIPASCAL_PER_MM / 2u) / MILLIPASCAL_PER_MM;

    return (int32_t)depth_mm + SENSOR_LEVEL_MM;
}
