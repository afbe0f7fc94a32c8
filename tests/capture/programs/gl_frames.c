/* Draws frames with OpenGL on a device without a screen (EGL_EXT_platform_device, a pbuffer), and swaps:
 *   gl_frames [--size WxH] [--work N] [--log FILE] ACT COUNT
 * ACT plain: all swaps alike. ACT odd: every other swap goes past whatever stands before the system's call, so
 * that one run holds frames of both kinds; the log's second column is 1 for those that do not. --work: rounds of
 * arithmetic for each pixel. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

typedef void *(*find_function)(const char *);
static find_function find;
static void *egl;

#define FROM_EGL(result, name, ...) result (*name)(__VA_ARGS__) = (result (*)(__VA_ARGS__))dlsym(egl, #name)
#define FOUND(result, name, ...) result (*name)(__VA_ARGS__) = (result (*)(__VA_ARGS__))find(#name)
#define NEED(condition) do { if (!(condition)) { fprintf(stderr, "failed: %s\n", #condition); exit(4); } } while (0)

static long long now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (long long)now.tv_sec * 1000000000ll + now.tv_nsec;
}

static unsigned shader(unsigned kind, const char *text)
{
    FOUND(unsigned, glCreateShader, unsigned);
    FOUND(void, glShaderSource, unsigned, int, const char **, const int *);
    FOUND(void, glCompileShader, unsigned);
    unsigned made = glCreateShader(kind);
    glShaderSource(made, 1, &text, NULL);
    glCompileShader(made);
    return made;
}

int main(int argc, char **argv)
{
    int i = 1, width = 640, height = 360, work = 20;
    FILE *log = NULL;
    for (; i + 1 < argc && argv[i][0] == '-'; i++) {
        if (!strcmp(argv[i], "--size"))
            sscanf(argv[++i], "%dx%d", &width, &height);
        else if (!strcmp(argv[i], "--work"))
            work = atoi(argv[++i]);
        else if (!strcmp(argv[i], "--log"))
            log = fopen(argv[++i], "w");
    }
    if (i + 1 >= argc)
        return 2;
    int odd = !strcmp(argv[i], "odd"), count = atoi(argv[i + 1]);
    egl = dlopen("libEGL.so.1", RTLD_NOW);
    NEED(egl);
    find = (find_function)dlsym(egl, "eglGetProcAddress");
    FOUND(unsigned, eglQueryDevicesEXT, int, void **, int *);
    FOUND(void *, eglGetPlatformDisplayEXT, int, void *, const int *);
    FROM_EGL(unsigned, eglInitialize, void *, int *, int *);
    FROM_EGL(unsigned, eglBindAPI, unsigned);
    FROM_EGL(unsigned, eglChooseConfig, void *, const int *, void **, int, int *);
    FROM_EGL(void *, eglCreatePbufferSurface, void *, void *, const int *);
    FROM_EGL(void *, eglCreateContext, void *, void *, void *, const int *);
    FROM_EGL(unsigned, eglMakeCurrent, void *, void *, void *, void *);
    FROM_EGL(unsigned, eglSwapBuffers, void *, void *);
    void *(*system_dlsym)(void *, const char *) =
        (void *(*)(void *, const char *))dlvsym(RTLD_DEFAULT, "dlsym", "GLIBC_2.2.5");
    void *libc = dlopen("libc.so.6", RTLD_NOW);
    if (dlvsym(libc, "dlsym", "GLIBC_2.34"))
        system_dlsym = (void *(*)(void *, const char *))dlvsym(libc, "dlsym", "GLIBC_2.34");
    unsigned (*straight)(void *, void *) = (unsigned (*)(void *, void *))system_dlsym(egl, "eglSwapBuffers");
    void *devices[16], *display = NULL;
    int device_count = 0;
    NEED(eglQueryDevicesEXT && eglGetPlatformDisplayEXT && eglQueryDevicesEXT(16, devices, &device_count));
    for (int n = 0; n < device_count; n++) {
        display = eglGetPlatformDisplayEXT(0x313F, devices[n], NULL);
        if (display && eglInitialize(display, NULL, NULL))
            break;
        display = NULL;
    }
    NEED(display);
    NEED(eglBindAPI(0x30A2)); /* OpenGL */
    const int wanted[] = {0x3033, 0x0001, 0x3040, 0x0008, 0x3024, 8, 0x3023, 8, 0x3022, 8, 0x3038};
    const int size[] = {0x3057, width, 0x3056, height, 0x3038};
    void *config = NULL;
    int configs = 0;
    NEED(eglChooseConfig(display, wanted, &config, 1, &configs) && configs);
    void *surface = eglCreatePbufferSurface(display, config, size);
    void *context = eglCreateContext(display, config, NULL, NULL);
    NEED(surface && context && eglMakeCurrent(display, surface, surface, context));
    FOUND(const unsigned char *, glGetString, unsigned);
    FOUND(unsigned, glCreateProgram, void);
    FOUND(void, glAttachShader, unsigned, unsigned);
    FOUND(void, glLinkProgram, unsigned);
    FOUND(void, glUseProgram, unsigned);
    FOUND(int, glGetUniformLocation, unsigned, const char *);
    FOUND(void, glUniform1f, int, float);
    FOUND(void, glUniform1i, int, int);
    FOUND(void, glViewport, int, int, int, int);
    FOUND(void, glDrawArrays, unsigned, int, int);
    FOUND(void, glFinish, void);
    fprintf(stderr, "device: %s\n", (const char *)glGetString(0x1F01));
    unsigned program = glCreateProgram();
    glAttachShader(program, shader(0x8B31, "#version 130\nvoid main() { vec2 p = vec2(gl_VertexID & 1, gl_VertexID >> 1) * 4.0 - 1.0; gl_Position = vec4(p, 0, 1); }"));
    glAttachShader(program, shader(0x8B30,
                                   "#version 130\nuniform float t; uniform int n; out vec4 c;\n"
                                   "void main() { float x = gl_FragCoord.x * 0.001 + t; for (int i = 0; i < n; i++) x = fract(x * 1.7 + 0.31);\n"
                                   "c = vec4(x, 0.5, 1.0 - x, 1); }"));
    glLinkProgram(program);
    glUseProgram(program);
    int time_at = glGetUniformLocation(program, "t"), rounds_at = glGetUniformLocation(program, "n");
    glUniform1i(rounds_at, work);
    glViewport(0, 0, width, height);
    long long *at_ns = malloc(sizeof *at_ns * (size_t)count);
    for (int n = 0; n < count; n++) {
        glUniform1f(time_at, (float)n * 0.01f);
        glDrawArrays(4, 0, 3);
        glFinish();
        at_ns[n] = now_ns();
        NEED((odd && !(n & 1) ? straight : eglSwapBuffers)(display, surface));
    }
    for (int n = 0; log && n < count; n++)
        fprintf(log, odd ? "%lld %d\n" : "%lld\n", at_ns[n], n & 1);
    if (log)
        fclose(log);
    printf("presents: %d\n", odd ? count / 2 : count);
    return 0;
}
