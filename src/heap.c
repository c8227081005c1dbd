/* How many arenas glibc's allocator makes; run before `main`, without a word of Rust that is not safe.
 *
 * Left to itself it gives every thread one, each with room to spare. The threads of a daemon that mostly waits do well with one
 * for all: see mallopt(3). */
#include <stdlib.h>

#ifdef __GLIBC__
#include <malloc.h>

__attribute__((constructor)) static void keep_little(void) {
    /* Whoever sets these knows better. */
    if (getenv("GLIBC_TUNABLES") || getenv("MALLOC_ARENA_MAX")) return;
    mallopt(M_ARENA_MAX, 1);
}
#endif
