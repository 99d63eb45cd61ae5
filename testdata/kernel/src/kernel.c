/* The part of the kernel that is the same for every processor. */
#include "kernel.h"

enum state { FREE, READY, WAITING, ENDED };

static struct task tasks[TASKS_MOST];
static uint32_t task_count;
static uint32_t last_chosen;
struct task *volatile kernel_running;
volatile uint32_t kernel_now;

void kernel_task(const char *name, uint32_t priority, void (*code)(void), uint32_t *stack, uint32_t words)
{
    uint32_t before = port_enter();
    struct task *task = &tasks[task_count++];

    for (uint32_t i = 0; i < words; i++) {
        stack[i] = 0xDEADBEEFu;
    }
    task->name = name;
    task->own_priority = task->priority = priority;
    task->limit = stack;
    task->stack = port_first_frame(stack + words, code);
    task->state = READY;
    port_leave(before);
}

/* Called with the kernel's interrupts masked: the next task, in turn among those of the highest priority. */
__attribute__((used)) void kernel_choose(void)
{
    uint32_t best = task_count;

    for (uint32_t step = 1; step <= task_count; step++) {
        uint32_t number = (last_chosen + step) % task_count;

        if (tasks[number].state != READY) {
            continue;
        }
        if (best == task_count || tasks[number].priority > tasks[best].priority) {
            best = number;
        }
    }
    last_chosen = best;
    tasks[best].slices++;
    kernel_running = &tasks[best];
}

static void idle(void)
{
    for (;;) {
        __asm volatile("wfi" ::: "memory");
    }
}

void kernel_start(uint32_t reload)
{
    static uint32_t idle_stack[96] __attribute__((aligned(8)));

    kernel_task("idle", 0, idle, idle_stack, 96);
    last_chosen = task_count - 1u;
    kernel_choose();
    port_start(reload);
}

static uint32_t most_urgent_ready(void)
{
    uint32_t best = 0;

    for (uint32_t i = 0; i < task_count; i++) {
        if (tasks[i].state == READY && tasks[i].priority > best) {
            best = tasks[i].priority;
        }
    }
    return best;
}

/* Masked: switches where somebody is more urgent than who runs, or who runs waits. */
static void switch_if_due(void)
{
    if (kernel_running->state != READY || most_urgent_ready() > kernel_running->priority) {
        port_switch();
    }
}

static void wake_all(const void *what)
{
    for (uint32_t i = 0; i < task_count; i++) {
        if (tasks[i].state == WAITING && tasks[i].waits_for == what && what != NULL) {
            tasks[i].state = READY;
        }
    }
}

/* Masked; the caller unmasks, is switched away there, and goes on once woken. */
static void wait_for(const void *what, uint32_t wake_at, uint32_t bounded)
{
    kernel_running->waits_for = what;
    kernel_running->wake_at = bounded ? wake_at : kernel_now - 1u;
    kernel_running->state = WAITING;
    port_switch();
}

/* The tick timer's handler. */
void kernel_tick(void)
{
    uint32_t before = port_enter();

    kernel_now++;
    for (uint32_t i = 0; i < task_count; i++) {
        if (tasks[i].state == WAITING && tasks[i].wake_at == kernel_now) {
            tasks[i].state = READY;
        }
    }
    port_switch(); /* time slices: equals take turns */
    port_leave(before);
}

void kernel_yield(void)
{
    port_switch();
}

void kernel_delay(uint32_t ticks)
{
    uint32_t before = port_enter();

    wait_for(NULL, kernel_now + ticks, 1);
    port_leave(before);
}

void kernel_delay_until(uint32_t *last, uint32_t ticks)
{
    uint32_t before = port_enter();

    *last += ticks;
    if ((int32_t)(*last - kernel_now) > 0) {
        wait_for(NULL, *last, 1);
    }
    port_leave(before);
}

void kernel_end(void)
{
    uint32_t before = port_enter();

    kernel_running->state = ENDED;
    port_switch();
    port_leave(before);
    for (;;) {
    }
}

static uint32_t over(uint32_t until, uint32_t ticks)
{
    return ticks != FOR_EVER && (int32_t)(kernel_now - until) >= 0;
}

uint32_t kernel_send(struct queue *queue, uint32_t word, uint32_t ticks)
{
    uint32_t until = kernel_now + ticks;
    uint32_t before = port_enter();

    while (queue->written - queue->taken == queue->size) {
        if (over(until, ticks)) {
            port_leave(before);
            return 0;
        }
        wait_for(queue, until, ticks != FOR_EVER);
        port_leave(before);
        before = port_enter();
    }
    queue->words[queue->written++ % queue->size] = word;
    wake_all(queue);
    switch_if_due();
    port_leave(before);
    return 1;
}

uint32_t kernel_receive(struct queue *queue, uint32_t *word, uint32_t ticks)
{
    uint32_t until = kernel_now + ticks;
    uint32_t before = port_enter();

    while (queue->written == queue->taken) {
        if (over(until, ticks)) {
            port_leave(before);
            return 0;
        }
        wait_for(queue, until, ticks != FOR_EVER);
        port_leave(before);
        before = port_enter();
    }
    *word = queue->words[queue->taken++ % queue->size];
    wake_all(queue);
    switch_if_due();
    port_leave(before);
    return 1;
}

uint32_t kernel_send_from_handler(struct queue *queue, uint32_t word)
{
    uint32_t before = port_enter();
    uint32_t room = queue->written - queue->taken != queue->size;

    if (room) {
        queue->words[queue->written++ % queue->size] = word;
        wake_all(queue);
        switch_if_due();
    }
    port_leave(before);
    return room;
}

void kernel_lock(struct mutex *mutex)
{
    uint32_t before = port_enter();

    while (mutex->holder != NULL && mutex->holder != kernel_running) {
        if (mutex->holder->priority < kernel_running->priority) {
            mutex->holder->priority = kernel_running->priority;
        }
        wait_for(mutex, 0, 0);
        port_leave(before);
        before = port_enter();
    }
    mutex->holder = kernel_running;
    mutex->depth++;
    port_leave(before);
}

void kernel_unlock(struct mutex *mutex)
{
    uint32_t before = port_enter();

    if (--mutex->depth == 0u) {
        kernel_running->priority = kernel_running->own_priority;
        mutex->holder = NULL;
        wake_all(mutex);
        switch_if_due();
    }
    port_leave(before);
}

uint32_t kernel_tasks(void)
{
    return task_count;
}

uint32_t kernel_slices(uint32_t task)
{
    return tasks[task].slices;
}
