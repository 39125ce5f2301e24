/* Loaded into the program before its libraries (LD_PRELOAD): one thread of it falls over.
 *
 * Once the file that STEPWELL_FALL_FILE names is there, the next look at the clock of the thread that
 * STEPWELL_FALL_THREAD names removes it and fails, and Rust's standard library panics on that. It happens once. */
#define _GNU_SOURCE
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static int meant(const char *thread) {
    if (strcmp(thread, "main") == 0)
        return getpid() == (pid_t)syscall(SYS_gettid);
    char name[16] = "";
    prctl(PR_GET_NAME, name);
    return strcmp(thread, name) == 0;
}

int clock_gettime(clockid_t clock, struct timespec *now) {
    const char *thread = getenv("STEPWELL_FALL_THREAD");
    const char *file = getenv("STEPWELL_FALL_FILE");
    if (thread && file && meant(thread) && unlink(file) == 0) {
        errno = EINVAL;
        return -1;
    }
    return (int)syscall(SYS_clock_gettime, clock, now);
}
