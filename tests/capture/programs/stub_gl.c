/* A library with the names of GLX and EGL that counts swaps and draws nothing. */
#include <stdint.h>
#include <string.h>
static int swaps;
void glXSwapBuffers(void *display, uintptr_t drawable) { (void)display; (void)drawable; __sync_add_and_fetch(&swaps, 1); }
unsigned eglSwapBuffers(void *display, void *surface) { (void)display; __sync_add_and_fetch(&swaps, 1); return surface != (void *)13; }
void glXQueryDrawable(void *display, uintptr_t drawable, int what, unsigned *value)
{
    (void)display;
    *value = what == 0x801D ? (unsigned)drawable * 100 : 100;
}
unsigned eglQuerySurface(void *display, void *surface, int what, int *value)
{
    (void)display; (void)what;
    *value = (int)(uintptr_t)surface * 10;
    return 1;
}
void *glXGetProcAddress(const char *name) { return !strcmp(name, "glXSwapBuffers") ? (void *)glXSwapBuffers : 0; }
void *glXGetProcAddressARB(const char *name) { return glXGetProcAddress(name); }
void *eglGetProcAddress(const char *name) { return !strcmp(name, "eglSwapBuffers") ? (void *)eglSwapBuffers : 0; }
int swaps_so_far(void) { return swaps; }
