/*
 * A small preemptive kernel: tasks on the process stack with fixed priorities, time slices among equals, delays
 * by the tick timer, bounded queues, and mutexes whose holder inherits the priority of who waits for it.
 *
 * Made for one purpose: to be rehearsed. It is short, not certified, and no advice.
 */
#ifndef KERNEL_H
#define KERNEL_H

#include <stddef.h>
#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))

#define TASKS_MOST 8u
#define FOR_EVER 0xFFFFFFFFu

struct task {
    uint32_t *stack; /* top of what is saved; first, since assembly code reads it */
    uint32_t *limit; /* lowest word of its stack; second, for the same reason */
    const char *name;
    uint32_t own_priority; /* greater is more urgent */
    uint32_t priority;
    const void *waits_for; /* queue or mutex; a null pointer: only for the time */
    uint32_t wake_at;
    uint32_t state;
    uint32_t slices; /* how often it was given the core */
};

struct queue {
    uint32_t *words;
    uint32_t size;
    uint32_t written;
    uint32_t taken;
};

struct mutex {
    struct task *holder;
    uint32_t depth;
};

/* The task that runs; assembly code reads and the kernel writes it. */
extern struct task *volatile kernel_running;
extern volatile uint32_t kernel_now;

/* Makes a task with a stack of `words` words; before kernel_start or from a task. */
void kernel_task(const char *name, uint32_t priority, void (*code)(void), uint32_t *stack, uint32_t words);

/* Gives the core to the most urgent task, and never returns. `reload` is the tick timer's. */
void kernel_start(uint32_t reload);

void kernel_yield(void);
void kernel_delay(uint32_t ticks);
/* Sleeps until `*last` plus `ticks`, and sets `*last` to that. */
void kernel_delay_until(uint32_t *last, uint32_t ticks);
/* The calling task ends. */
void kernel_end(void);

/* Each returns 1, or 0 where the time was over. */
uint32_t kernel_send(struct queue *queue, uint32_t word, uint32_t ticks);
uint32_t kernel_receive(struct queue *queue, uint32_t *word, uint32_t ticks);
/* For handlers of interrupts that the kernel masks: never waits. */
uint32_t kernel_send_from_handler(struct queue *queue, uint32_t word);

void kernel_lock(struct mutex *mutex);
void kernel_unlock(struct mutex *mutex);

uint32_t kernel_tasks(void);
uint32_t kernel_slices(uint32_t task);

/* port.c */
uint32_t port_enter(void);
void port_leave(uint32_t before);
uint32_t *port_first_frame(uint32_t *top, void (*code)(void));
void port_start(uint32_t reload);
void port_switch(void);

#endif
