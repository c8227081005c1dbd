/* What glibc's allocator keeps for a daemon that mostly waits; run before `main`, without a word of Rust that is not safe.
 *
 * Left to itself it gives every thread an arena of its own, each with room to spare, and after the first large block that was
 * freed it keeps up to twice as much at the end of each. See mallopt(3). */
#include <stdlib.h>

#ifdef __GLIBC__
#include <malloc.h>

__attribute__((constructor)) static void keep_little(void) {
    mallopt(M_ARENA_MAX, 1);
    mallopt(M_MMAP_THRESHOLD, 128 * 1024);
    mallopt(M_TRIM_THRESHOLD, 128 * 1024);
}
#endif
