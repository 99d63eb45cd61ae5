/*
 * Tests of a core whose answer comes to the instruction by a switch, as one of several values, by a table that stands
 * behind another object, or as a task's own flag.  With FAULTY, the same by what is no answer of the core.
 */
#include "needs.h"

uint32_t frame[40];
static uint32_t runs, turns, steps[3] = { 4, 5, 6 };
static const uint32_t weights[4] = { 3, 1, 4, 1 };

static inline unsigned kind_of(uint32_t id)
{
    switch (id >> 4 & 0xFFFu) {
    case 0xC20:
        return 0;
    case 0xC60:
        return 1;
    case 0xC23:
        return 2;
    case 0xC24:
        return 3;
    case 0xC27:
        return 4;
    case 0xD21:
        return 5;
    default:
        return 6;
    }
}

KEPT unsigned kind(void)
{
    return kind_of(CPUID);
}

#define BY_KIND(kind)      \
    switch (kind) {        \
    case 0:                \
        runs += 3u;        \
        break;             \
    case 1:                \
        turns *= 5u;       \
        break;             \
    case 2:                \
        steps[1] = 7u;     \
        break;             \
    case 3:                \
        LACKING(frame);    \
        break;             \
    case 4:                \
        steps[2] = runs;   \
        LACKING(frame + 1);\
        break;             \
    case 5:                \
        LACKING(frame + 2);\
        break;             \
    default:               \
        turns--;           \
    }

KEPT void by_case(void)
{
    BY_KIND(kind())
}

enum { DIVIDES = 1, SAVES = 4 };
static uint32_t features;

KEPT void find_features(void)
{
    uint32_t found = 0;
    switch (CPUID >> 4 & 0xFFFu) {
    case 0xC24:
    case 0xC27:
        found |= DIVIDES;
        if (HAS_IT) {
            found |= SAVES;
        }
        break;
    default:
        break;
    }
    features = found;
}

KEPT bool has(uint32_t which)
{
    return (features & which) != 0;
}

KEPT void by_choice(void)
{
    if (has(SAVES)) {
        LACKING(frame + 5);
    }
}

struct keeper {
    void (*save)(uint32_t *);
    void (*load)(uint32_t *);
};

static void save_none(uint32_t *place)
{
    place[0]++;
}

static void save_some(uint32_t *place)
{
    LACKING(place + 1);
}

static void load_none(uint32_t *place)
{
    place[1]--;
}

static void load_some(uint32_t *place)
{
    LACKING(place + 3);
}

static const struct keeper keepers[2] = { { save_none, load_none }, { save_some, load_some } };

KEPT unsigned which_keeper(void)
{
    return HAS_IT;
}

KEPT void by_table(void)
{
    const struct keeper *keeper = &keepers[which_keeper()];
    turns = weights[runs++ & 3u] + steps[1];
    keeper->save(frame);
    keeper->load(frame);
}

struct task {
    uint32_t *stack;
    struct task *next;
    uint8_t priority, saves, traced;
    uint32_t frame[16];
};

static struct task tasks[3];
static struct task *volatile current = tasks;

KEPT bool can_save(void)
{
    return HAS_IT;
}

KEPT void set_up(struct task *task, bool wants)
{
    task->stack = task->frame;
    task->priority = 3u;
    task->saves = wants && can_save();
    task->traced = wants;
}

KEPT void by_member(void)
{
    struct task *task = current;
    if (task->saves) {
        LACKING(task->frame);
    }
    current = task->next;
}

#ifdef FAULTY
KEPT void bad_by_case(void)
{
    BY_KIND(kind_of(SYSTICK))
}

static uint32_t options;

KEPT void find_options(void)
{
    uint32_t found = 1u;
    if (SYSTICK & 0x10000u) {
        found |= SAVES;
    }
    options = found;
}

KEPT void bad_by_choice(void)
{
    if (options & SAVES) {
        LACKING(frame + 6);
    }
}

static void bad_saver(uint32_t *place)
{
    LACKING(place + 7);
}

static void (*const savers[2])(uint32_t *) = { save_none, bad_saver };

KEPT void call_saver(void)
{
    runs += weights[turns & 3u];
    savers[SYSTICK >> 16 & 1u](frame);
}

KEPT void bad_by_member(void)
{
    struct task *task = current;
    if (task->traced) {
        LACKING(task->frame + 2);
    }
}
#endif

KEPT void switch_tasks(void)
{
    by_member();
}

void clear_floats(void)
{
    find_features();
    set_up(tasks, true);
    by_case();
    by_choice();
    by_table();
    by_member();
#ifdef FAULTY
    find_options();
    bad_by_case();
    bad_by_choice();
    call_saver();
    bad_by_member();
#endif
}
