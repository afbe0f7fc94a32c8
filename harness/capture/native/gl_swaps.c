/* The swap calls of GLX and EGL, put before the system's own: by name for programs that link them, and through
 * dlsym, glXGetProcAddress and eglGetProcAddress for those that ask for their address. Each call is passed on
 * and recorded. Loaded before a program's libraries by LD_PRELOAD of one process tree. */
#define _GNU_SOURCE
#include "ring.h"

#include <dlfcn.h>
#include <pthread.h>
#include <string.h>

#define EXPORTED __attribute__((visibility("default")))
#define SLOTS 4 /* libraries of one process that bring the same call, as a translation layer beside the system's */
#define MOST_DRAWABLES 64
#define LOOK_EVERY_NS 2000000000u /* a window may change its size */
#define GLX_WIDTH 0x801D
#define GLX_HEIGHT 0x801E
#define EGL_HEIGHT 0x3056
#define EGL_WIDTH 0x3057

typedef void (*any_function)(void);
typedef any_function (*find_function)(const char *);

struct drawable {
    const void *_Atomic display; /* set last */
    uintptr_t handle;
    uint32_t serial;
    uint32_t width, height;
    uint64_t look_ns;
};

static struct drawable drawables[MOST_DRAWABLES];
static pthread_mutex_t drawables_lock = PTHREAD_MUTEX_INITIALIZER; /* for a drawable's first swap only */
static __thread int depth __attribute__((tls_model("initial-exec"))); /* a swap inside a swap is the same frame */

static void *(*_Atomic system_dlsym)(void *, const char *);

static void *next_of(const char *name)
{
    if (!system_dlsym) {
        static const char *const versions[] = {"GLIBC_2.2.5", "GLIBC_2.17", "GLIBC_2.34"};
        for (unsigned i = 0; i < sizeof versions / sizeof *versions && !system_dlsym; i++)
            system_dlsym = (void *(*)(void *, const char *))dlvsym(RTLD_NEXT, "dlsym", versions[i]);
    }
    return system_dlsym ? ((void *(*)(void *, const char *))system_dlsym)(RTLD_NEXT, name) : NULL;
}

/* A name of a library that is loaded already, also where it is open for its opener alone. */
static void *from_library(const char *library, const char *name)
{
    void *handle = library ? dlopen(library, RTLD_LAZY | RTLD_NOLOAD) : NULL;
    if (!handle)
        return NULL;
    void *found = ((void *(*)(void *, const char *))system_dlsym)(handle, name);
    dlclose(handle); /* it was there before and stays */
    return found;
}

/* The same name in the library that holds an address. */
static void *beside(const void *address, const char *name)
{
    Dl_info info;
    return dladdr(address, &info) ? from_library(info.dli_fname, name) : NULL;
}

/* A call of the very library that a swap goes to; else of the system's. */
static void *companion_of(any_function theirs, const char *name, const char *library)
{
    void *found = beside((const void *)theirs, name);
    if (!found)
        found = next_of(name);
    return found ? found : from_library(library, name);
}

static struct drawable *drawable_of(const void *display, uintptr_t handle)
{
    for (unsigned i = 0; i < MOST_DRAWABLES; i++) {
        const void *known = atomic_load_explicit(&drawables[i].display, memory_order_acquire);
        if (!known)
            break;
        if (known == display && drawables[i].handle == handle)
            return &drawables[i];
    }
    struct drawable *made = &drawables[0];
    pthread_mutex_lock(&drawables_lock);
    for (unsigned i = 0; i < MOST_DRAWABLES; i++) {
        const void *known = atomic_load(&drawables[i].display);
        if (!known || (known == display && drawables[i].handle == handle)) {
            made = &drawables[i];
            break;
        }
        if (drawables[i].look_ns < made->look_ns) /* else the one that was drawn least lately makes room */
            made = &drawables[i];
    }
    if (atomic_load(&made->display) != display || made->handle != handle) {
        atomic_store(&made->display, NULL);
        made->handle = handle;
        made->serial = next_serial();
        made->look_ns = 0;
        atomic_store_explicit(&made->display, display, memory_order_release);
    }
    pthread_mutex_unlock(&drawables_lock);
    return made;
}

static void look_at_size(struct drawable *drawable, int kind, any_function theirs)
{
    unsigned width = 0, height = 0;
    if (kind == PRESENT_GLX) {
        void (*query)(const void *, uintptr_t, int, unsigned *) =
            (void (*)(const void *, uintptr_t, int, unsigned *))companion_of(theirs, "glXQueryDrawable", "libGL.so.1");
        if (query) {
            query(drawable->display, drawable->handle, GLX_WIDTH, &width);
            query(drawable->display, drawable->handle, GLX_HEIGHT, &height);
        }
    } else {
        unsigned (*query)(const void *, const void *, int, unsigned *) =
            (unsigned (*)(const void *, const void *, int, unsigned *))companion_of(theirs, "eglQuerySurface", "libEGL.so.1");
        if (query) {
            query(drawable->display, (const void *)drawable->handle, EGL_WIDTH, &width);
            query(drawable->display, (const void *)drawable->handle, EGL_HEIGHT, &height);
        }
    }
    drawable->width = width;
    drawable->height = height;
}

/* Before the swap: the drawable lives, and its size is that of the frame. */
static struct drawable *before_swap(const void *display, uintptr_t handle, int kind, any_function theirs)
{
    if (depth || !ring_of_process())
        return NULL;
    struct drawable *drawable = drawable_of(display, handle);
    uint64_t at_ns = now_ns();
    if (drawable && at_ns >= drawable->look_ns) {
        drawable->look_ns = at_ns + LOOK_EVERY_NS;
        look_at_size(drawable, kind, theirs);
    }
    return drawable;
}

static void after_swap(struct drawable *drawable, int kind, uint64_t call_ns, int refused)
{
    if (depth)
        return;
    struct ring_record facts = {0};
    facts.call_ns = call_ns;
    facts.return_ns = now_ns();
    facts.kind_queue = (uint32_t)kind << 24;
    facts.result = refused ? -1 : 0;
    if (drawable) {
        facts.surface = facts.swapchain = drawable->serial;
        facts.width = drawable->width;
        facts.height = drawable->height;
    }
    record_present(&facts);
}

#define RECORDED(kind, theirs, display, handle, call, refused)                                                     \
    struct drawable *drawable = before_swap(display, (uintptr_t)(handle), kind, theirs);                           \
    uint64_t call_ns = now_ns();                                                                                   \
    depth++;                                                                                                       \
    call;                                                                                                          \
    depth--;                                                                                                       \
    after_swap(drawable, kind, call_ns, refused)

typedef void (*glx_swap)(void *, uintptr_t);
typedef int64_t (*glx_swap_msc)(void *, uintptr_t, int64_t, int64_t, int64_t);
typedef unsigned (*egl_swap)(void *, void *);
typedef unsigned (*egl_swap_damage)(void *, void *, const int *, int);

enum { GLX_SWAP, GLX_SWAP_MSC, EGL_SWAP, EGL_SWAP_DAMAGE_KHR, EGL_SWAP_DAMAGE_EXT, FIND_GLX, FIND_GLX_ARB, FIND_EGL, CALLS };

static const char *const call_names[CALLS] = {
    "glXSwapBuffers", "glXSwapBuffersMscOML", "eglSwapBuffers", "eglSwapBuffersWithDamageKHR",
    "eglSwapBuffersWithDamageEXT", "glXGetProcAddress", "glXGetProcAddressARB", "eglGetProcAddress",
};

static any_function _Atomic passed_to[CALLS][SLOTS]; /* what each of our functions passes its calls on to */
static any_function put_before(int call, any_function theirs);
static any_function exported_function(int call);

/* One function a slot: a call goes back to the very library that it was meant for. */
#define OF_SLOT(slot)                                                                                              \
    static void glx_swap_##slot(void *display, uintptr_t drawn)                                                    \
    {                                                                                                              \
        any_function theirs = passed_to[GLX_SWAP][slot];                                                           \
        RECORDED(PRESENT_GLX, theirs, display, drawn, ((glx_swap)theirs)(display, drawn), 0);                      \
    }                                                                                                              \
    static int64_t glx_swap_msc_##slot(void *display, uintptr_t drawn, int64_t a, int64_t b, int64_t c)            \
    {                                                                                                              \
        any_function theirs = passed_to[GLX_SWAP_MSC][slot];                                                       \
        int64_t result;                                                                                            \
        RECORDED(PRESENT_GLX, theirs, display, drawn,                                                              \
                 result = ((glx_swap_msc)theirs)(display, drawn, a, b, c), result < 0);                            \
        return result;                                                                                             \
    }                                                                                                              \
    static unsigned egl_swap_##slot(void *display, void *surface)                                                  \
    {                                                                                                              \
        any_function theirs = passed_to[EGL_SWAP][slot];                                                           \
        unsigned result;                                                                                           \
        RECORDED(PRESENT_EGL, theirs, display, surface, result = ((egl_swap)theirs)(display, surface), !result);   \
        return result;                                                                                             \
    }                                                                                                              \
    static unsigned egl_swap_damage_khr_##slot(void *display, void *surface, const int *areas, int count)          \
    {                                                                                                              \
        any_function theirs = passed_to[EGL_SWAP_DAMAGE_KHR][slot];                                                \
        unsigned result;                                                                                           \
        RECORDED(PRESENT_EGL, theirs, display, surface,                                                            \
                 result = ((egl_swap_damage)theirs)(display, surface, areas, count), !result);                     \
        return result;                                                                                             \
    }                                                                                                              \
    static unsigned egl_swap_damage_ext_##slot(void *display, void *surface, const int *areas, int count)          \
    {                                                                                                              \
        any_function theirs = passed_to[EGL_SWAP_DAMAGE_EXT][slot];                                                \
        unsigned result;                                                                                           \
        RECORDED(PRESENT_EGL, theirs, display, surface,                                                            \
                 result = ((egl_swap_damage)theirs)(display, surface, areas, count), !result);                     \
        return result;                                                                                             \
    }                                                                                                              \
    static any_function find_glx_##slot(const char *name);                                                         \
    static any_function find_glx_arb_##slot(const char *name);                                                     \
    static any_function find_egl_##slot(const char *name);

static int call_of(const char *name)
{
    if (!name || (strncmp(name, "glX", 3) && strncmp(name, "egl", 3)))
        return -1;
    for (int call = 0; call < CALLS; call++)
        if (!strcmp(name, call_names[call]))
            return call;
    return -1;
}

static any_function found_by(find_function find, const char *name)
{
    any_function theirs = find(name);
    int call = theirs ? call_of(name) : -1;
    if (call >= 0 && theirs == exported_function(call)) /* it found ours under its own name */
        theirs = (any_function)beside((const void *)find, name);
    return call < 0 || !theirs ? theirs : put_before(call, theirs);
}

#define FINDERS_OF_SLOT(slot)                                                                                      \
    static any_function find_glx_##slot(const char *name)                                                          \
    {                                                                                                              \
        return found_by((find_function)passed_to[FIND_GLX][slot], name);                                           \
    }                                                                                                              \
    static any_function find_glx_arb_##slot(const char *name)                                                      \
    {                                                                                                              \
        return found_by((find_function)passed_to[FIND_GLX_ARB][slot], name);                                       \
    }                                                                                                              \
    static any_function find_egl_##slot(const char *name)                                                          \
    {                                                                                                              \
        return found_by((find_function)passed_to[FIND_EGL][slot], name);                                           \
    }

OF_SLOT(0) OF_SLOT(1) OF_SLOT(2) OF_SLOT(3)
FINDERS_OF_SLOT(0) FINDERS_OF_SLOT(1) FINDERS_OF_SLOT(2) FINDERS_OF_SLOT(3)

#define SLOTS_OF(stem) {(any_function)stem##_0, (any_function)stem##_1, (any_function)stem##_2, (any_function)stem##_3}

static const any_function own[CALLS][SLOTS] = {
    SLOTS_OF(glx_swap), SLOTS_OF(glx_swap_msc), SLOTS_OF(egl_swap), SLOTS_OF(egl_swap_damage_khr),
    SLOTS_OF(egl_swap_damage_ext), SLOTS_OF(find_glx), SLOTS_OF(find_glx_arb), SLOTS_OF(find_egl),
};

/* Our function that passes on to theirs; theirs where all slots are taken, which is told. */
static any_function put_before(int call, any_function theirs)
{
    static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
    any_function found = NULL;
    pthread_mutex_lock(&lock);
    for (int slot = 0; slot < SLOTS && !found; slot++) {
        if (theirs == own[call][slot])
            found = theirs;
        else if (passed_to[call][slot] == theirs)
            found = own[call][slot];
        else if (!passed_to[call][slot]) {
            passed_to[call][slot] = theirs;
            found = own[call][slot];
        }
    }
    pthread_mutex_unlock(&lock);
    if (!found)
        tell_failure("slots", call);
    return found ? found : theirs;
}

/* The names themselves, for programs that link them. */
static any_function linked(int call, const void *caller)
{
    static any_function _Atomic found[CALLS];
    if (!found[call]) {
        const char *name = call_names[call];
        any_function theirs = (any_function)next_of(name);
        if (!theirs) /* brought by a library that is open for its opener alone */
            theirs = (any_function)from_library(name[0] == 'g' ? "libGL.so.1" : "libEGL.so.1", name);
        if (!theirs) /* the caller's own */
            theirs = (any_function)beside(caller, name);
        found[call] = theirs && theirs != exported_function(call) ? put_before(call, theirs) : NULL;
    }
    return found[call];
}

#define LINKED(call) linked(call, __builtin_return_address(0))

EXPORTED void glXSwapBuffers(void *display, uintptr_t drawn)
{
    glx_swap call = (glx_swap)LINKED(GLX_SWAP);
    if (call)
        call(display, drawn);
}

EXPORTED int64_t glXSwapBuffersMscOML(void *display, uintptr_t drawn, int64_t a, int64_t b, int64_t c)
{
    glx_swap_msc call = (glx_swap_msc)LINKED(GLX_SWAP_MSC);
    return call ? call(display, drawn, a, b, c) : -1;
}

EXPORTED unsigned eglSwapBuffers(void *display, void *surface)
{
    egl_swap call = (egl_swap)LINKED(EGL_SWAP);
    return call ? call(display, surface) : 0;
}

EXPORTED unsigned eglSwapBuffersWithDamageKHR(void *display, void *surface, const int *areas, int count)
{
    egl_swap_damage call = (egl_swap_damage)LINKED(EGL_SWAP_DAMAGE_KHR);
    return call ? call(display, surface, areas, count) : 0;
}

EXPORTED unsigned eglSwapBuffersWithDamageEXT(void *display, void *surface, const int *areas, int count)
{
    egl_swap_damage call = (egl_swap_damage)LINKED(EGL_SWAP_DAMAGE_EXT);
    return call ? call(display, surface, areas, count) : 0;
}

EXPORTED any_function glXGetProcAddress(const char *name)
{
    find_function call = (find_function)LINKED(FIND_GLX);
    return call ? call(name) : NULL;
}

EXPORTED any_function glXGetProcAddressARB(const char *name)
{
    find_function call = (find_function)LINKED(FIND_GLX_ARB);
    return call ? call(name) : NULL;
}

EXPORTED any_function eglGetProcAddress(const char *name)
{
    find_function call = (find_function)LINKED(FIND_EGL);
    return call ? call(name) : NULL;
}

static const any_function exported[CALLS] = {
    (any_function)glXSwapBuffers,    (any_function)glXSwapBuffersMscOML,
    (any_function)eglSwapBuffers,    (any_function)eglSwapBuffersWithDamageKHR,
    (any_function)eglSwapBuffersWithDamageEXT, (any_function)glXGetProcAddress,
    (any_function)glXGetProcAddressARB, (any_function)eglGetProcAddress,
};

static any_function exported_function(int call)
{
    return exported[call];
}

static void *hooked(void *handle, const char *name, int call)
{
    any_function theirs = (any_function)((void *(*)(void *, const char *))system_dlsym)(handle, name);
    if (theirs == exported[call]) /* ours is in every global scope; is theirs? */
        theirs = (any_function)next_of(name);
    return theirs ? (void *)put_before(call, theirs) : NULL;
}

/* The last line has to stay a jump: RTLD_NEXT goes by who called. tests/capture/test_native.py sees to it. */
EXPORTED void *dlsym(void *handle, const char *name)
{
    if (__builtin_expect(!system_dlsym, 0))
        next_of("dlsym");
    int call = call_of(name);
    if (__builtin_expect(call >= 0, 0))
        return hooked(handle, name, call);
    return ((void *(*)(void *, const char *))system_dlsym)(handle, name);
}
