/* Presents through Vulkan, on a window or a headless surface, and says how often:
 *   presents [--headless] [--size WxH] [--work N] [--log FILE] ACT COUNT
 * --work: clears of the image in each frame; --log: its own time of each present, ns, one a line. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define VK_NO_PROTOTYPES
#include <vulkan/vulkan.h>

typedef VkResult (*create_xlib_surface)(VkInstance, const void *, const void *, VkSurfaceKHR *);
struct xlib_surface_info { VkStructureType sType; const void *pNext; VkFlags flags; void *display; unsigned long window; };

static PFN_vkGetInstanceProcAddr instance_proc;
static int headless, work = 1, width = 320, height = 240;
static FILE *own_log;
static pthread_mutex_t log_lock = PTHREAD_MUTEX_INITIALIZER;

#define CHECK(call) do { VkResult r_ = (call); if (r_ < 0) { fprintf(stderr, "%s: %d\n", #call, r_); exit(4); } } while (0)
#define OF_INSTANCE(name) PFN_##name name = (PFN_##name)instance_proc(at->instance, #name)
#define OF_DEVICE(name) PFN_##name name = (PFN_##name)at->device_proc(at->device, #name)

struct scene {
    VkInstance instance;
    VkPhysicalDevice physical;
    VkDevice device;
    PFN_vkGetDeviceProcAddr device_proc;
    VkQueue queue;
    uint32_t family;
};

struct shown { /* one surface with its swapchain */
    struct scene *at;
    VkSurfaceKHR surface;
    VkSwapchainKHR swapchain;
    VkImage images[16];
    VkCommandBuffer commands[16];
    VkCommandPool pool;
    VkSemaphore acquired, drawn;
    VkFence done;
    int width, height;
};

static void start(struct scene *at)
{
    PFN_vkCreateInstance vkCreateInstance = (PFN_vkCreateInstance)instance_proc(NULL, "vkCreateInstance");
    const char *extensions[] = {"VK_KHR_surface", headless ? "VK_EXT_headless_surface" : "VK_KHR_xlib_surface"};
    VkApplicationInfo application = {VK_STRUCTURE_TYPE_APPLICATION_INFO, NULL, "presents", 1, "none", 1, VK_API_VERSION_1_1};
    VkInstanceCreateInfo info = {VK_STRUCTURE_TYPE_INSTANCE_CREATE_INFO, NULL, 0, &application, 0, NULL, 2, extensions};
    CHECK(vkCreateInstance(&info, NULL, &at->instance));
    OF_INSTANCE(vkEnumeratePhysicalDevices);
    OF_INSTANCE(vkCreateDevice);
    OF_INSTANCE(vkGetPhysicalDeviceProperties);
    uint32_t count = 1;
    CHECK(vkEnumeratePhysicalDevices(at->instance, &count, &at->physical));
    VkPhysicalDeviceProperties properties;
    vkGetPhysicalDeviceProperties(at->physical, &properties);
    fprintf(stderr, "device: %s\n", properties.deviceName);
    float priority = 1;
    VkDeviceQueueCreateInfo queue = {VK_STRUCTURE_TYPE_DEVICE_QUEUE_CREATE_INFO, NULL, 0, 0, 1, &priority};
    const char *of_device[] = {"VK_KHR_swapchain"};
    VkDeviceCreateInfo device = {VK_STRUCTURE_TYPE_DEVICE_CREATE_INFO, NULL, 0, 1, &queue, 0, NULL, 1, of_device, NULL};
    CHECK(vkCreateDevice(at->physical, &device, NULL, &at->device));
    at->device_proc = (PFN_vkGetDeviceProcAddr)instance_proc(at->instance, "vkGetDeviceProcAddr");
    OF_DEVICE(vkGetDeviceQueue);
    vkGetDeviceQueue(at->device, 0, 0, &at->queue);
}

static void make_swapchain(struct shown *shown, int wide, int high)
{
    struct scene *at = shown->at;
    OF_DEVICE(vkCreateSwapchainKHR);
    OF_DEVICE(vkDestroySwapchainKHR);
    OF_DEVICE(vkGetSwapchainImagesKHR);
    OF_DEVICE(vkDeviceWaitIdle);
    OF_DEVICE(vkBeginCommandBuffer);
    OF_DEVICE(vkEndCommandBuffer);
    OF_DEVICE(vkCmdClearColorImage);
    OF_DEVICE(vkCmdPipelineBarrier);
    OF_DEVICE(vkResetCommandPool);
    OF_INSTANCE(vkGetPhysicalDeviceSurfaceCapabilitiesKHR);
    OF_INSTANCE(vkGetPhysicalDeviceSurfaceFormatsKHR);
    OF_INSTANCE(vkGetPhysicalDeviceSurfacePresentModesKHR);
    VkSurfaceCapabilitiesKHR can;
    CHECK(vkGetPhysicalDeviceSurfaceCapabilitiesKHR(at->physical, shown->surface, &can));
    VkSurfaceFormatKHR formats[64];
    VkPresentModeKHR modes[16], mode = VK_PRESENT_MODE_FIFO_KHR;
    uint32_t format_count = 64, mode_count = 16;
    vkGetPhysicalDeviceSurfaceFormatsKHR(at->physical, shown->surface, &format_count, formats);
    vkGetPhysicalDeviceSurfacePresentModesKHR(at->physical, shown->surface, &mode_count, modes);
    for (uint32_t i = 0; i < mode_count; i++)
        if (modes[i] == VK_PRESENT_MODE_IMMEDIATE_KHR)
            mode = modes[i];
    VkExtent2D extent = can.currentExtent.width == 0xffffffff ? (VkExtent2D){(uint32_t)wide, (uint32_t)high} : can.currentExtent;
    VkSwapchainKHR old = shown->swapchain;
    uint32_t wanted = can.minImageCount < 3 ? 3 : can.minImageCount;
    if (can.maxImageCount && wanted > can.maxImageCount)
        wanted = can.maxImageCount;
    VkSwapchainCreateInfoKHR info = {
        VK_STRUCTURE_TYPE_SWAPCHAIN_CREATE_INFO_KHR, NULL, 0, shown->surface, wanted, formats[0].format,
        formats[0].colorSpace, extent, 1, VK_IMAGE_USAGE_TRANSFER_DST_BIT, VK_SHARING_MODE_EXCLUSIVE, 0, NULL,
        can.currentTransform, VK_COMPOSITE_ALPHA_OPAQUE_BIT_KHR, mode, VK_TRUE, old};
    if (!(can.supportedCompositeAlpha & VK_COMPOSITE_ALPHA_OPAQUE_BIT_KHR))
        info.compositeAlpha = VK_COMPOSITE_ALPHA_INHERIT_BIT_KHR;
    vkDeviceWaitIdle(at->device);
    CHECK(vkCreateSwapchainKHR(at->device, &info, NULL, &shown->swapchain));
    if (old)
        vkDestroySwapchainKHR(at->device, old, NULL);
    uint32_t images = 16;
    CHECK(vkGetSwapchainImagesKHR(at->device, shown->swapchain, &images, shown->images));
    CHECK(vkResetCommandPool(at->device, shown->pool, 0));
    for (uint32_t i = 0; i < images; i++) {
        VkCommandBufferBeginInfo begin = {VK_STRUCTURE_TYPE_COMMAND_BUFFER_BEGIN_INFO, NULL, 0, NULL};
        CHECK(vkBeginCommandBuffer(shown->commands[i], &begin));
        VkImageSubresourceRange all = {VK_IMAGE_ASPECT_COLOR_BIT, 0, 1, 0, 1};
        VkImageMemoryBarrier barrier = {
            VK_STRUCTURE_TYPE_IMAGE_MEMORY_BARRIER, NULL, 0, VK_ACCESS_TRANSFER_WRITE_BIT, VK_IMAGE_LAYOUT_UNDEFINED,
            VK_IMAGE_LAYOUT_TRANSFER_DST_OPTIMAL, VK_QUEUE_FAMILY_IGNORED, VK_QUEUE_FAMILY_IGNORED, shown->images[i], all};
        vkCmdPipelineBarrier(shown->commands[i], VK_PIPELINE_STAGE_TRANSFER_BIT, VK_PIPELINE_STAGE_TRANSFER_BIT, 0, 0,
                             NULL, 0, NULL, 1, &barrier);
        for (int n = 0; n < work; n++) {
            VkClearColorValue colour = {{(float)i / 8, (float)(n % 7) / 7, 0.5f, 1}};
            vkCmdClearColorImage(shown->commands[i], shown->images[i], VK_IMAGE_LAYOUT_TRANSFER_DST_OPTIMAL, &colour, 1, &all);
        }
        barrier.srcAccessMask = VK_ACCESS_TRANSFER_WRITE_BIT;
        barrier.dstAccessMask = 0;
        barrier.oldLayout = VK_IMAGE_LAYOUT_TRANSFER_DST_OPTIMAL;
        barrier.newLayout = VK_IMAGE_LAYOUT_PRESENT_SRC_KHR;
        vkCmdPipelineBarrier(shown->commands[i], VK_PIPELINE_STAGE_TRANSFER_BIT, VK_PIPELINE_STAGE_BOTTOM_OF_PIPE_BIT, 0,
                             0, NULL, 0, NULL, 1, &barrier);
        CHECK(vkEndCommandBuffer(shown->commands[i]));
    }
}

static void show(struct shown *shown, struct scene *at, int wide, int high)
{
    *shown = (struct shown){.at = at, .width = wide, .height = high};
    OF_DEVICE(vkCreateCommandPool);
    OF_DEVICE(vkAllocateCommandBuffers);
    OF_DEVICE(vkCreateSemaphore);
    OF_DEVICE(vkCreateFence);
    OF_INSTANCE(vkGetPhysicalDeviceSurfaceSupportKHR);
    if (headless) {
        OF_INSTANCE(vkCreateHeadlessSurfaceEXT);
        VkHeadlessSurfaceCreateInfoEXT info = {VK_STRUCTURE_TYPE_HEADLESS_SURFACE_CREATE_INFO_EXT, NULL, 0};
        CHECK(vkCreateHeadlessSurfaceEXT(at->instance, &info, NULL, &shown->surface));
    } else {
        void *x11 = dlopen("libX11.so.6", RTLD_NOW);
        void *(*open_display)(const char *) = (void *(*)(const char *))dlsym(x11, "XOpenDisplay");
        unsigned long (*root)(void *) = (unsigned long (*)(void *))dlsym(x11, "XDefaultRootWindow");
        unsigned long (*create)(void *, unsigned long, int, int, unsigned, unsigned, unsigned, unsigned long, unsigned long) =
            (unsigned long (*)(void *, unsigned long, int, int, unsigned, unsigned, unsigned, unsigned long, unsigned long))
                dlsym(x11, "XCreateSimpleWindow");
        int (*map)(void *, unsigned long) = (int (*)(void *, unsigned long))dlsym(x11, "XMapWindow");
        int (*sync)(void *, int) = (int (*)(void *, int))dlsym(x11, "XSync");
        void *display = open_display(NULL);
        if (!display)
            exit(5);
        unsigned long window = create(display, root(display), 0, 0, (unsigned)wide, (unsigned)high, 0, 0, 0);
        map(display, window);
        sync(display, 0);
        struct xlib_surface_info info = {VK_STRUCTURE_TYPE_XLIB_SURFACE_CREATE_INFO_KHR, NULL, 0, display, window};
        CHECK(((create_xlib_surface)instance_proc(at->instance, "vkCreateXlibSurfaceKHR"))(at->instance, &info, NULL, &shown->surface));
    }
    VkBool32 supported = 0;
    CHECK(vkGetPhysicalDeviceSurfaceSupportKHR(at->physical, 0, shown->surface, &supported));
    if (!supported) {
        fprintf(stderr, "the surface can't be presented to by queue family 0\n");
        exit(6);
    }
    VkCommandPoolCreateInfo pool = {VK_STRUCTURE_TYPE_COMMAND_POOL_CREATE_INFO, NULL, 0, 0};
    CHECK(vkCreateCommandPool(at->device, &pool, NULL, &shown->pool));
    VkCommandBufferAllocateInfo buffers = {VK_STRUCTURE_TYPE_COMMAND_BUFFER_ALLOCATE_INFO, NULL, shown->pool,
                                           VK_COMMAND_BUFFER_LEVEL_PRIMARY, 16};
    CHECK(vkAllocateCommandBuffers(at->device, &buffers, shown->commands));
    VkSemaphoreCreateInfo semaphore = {VK_STRUCTURE_TYPE_SEMAPHORE_CREATE_INFO, NULL, 0};
    CHECK(vkCreateSemaphore(at->device, &semaphore, NULL, &shown->acquired));
    CHECK(vkCreateSemaphore(at->device, &semaphore, NULL, &shown->drawn));
    VkFenceCreateInfo fence = {VK_STRUCTURE_TYPE_FENCE_CREATE_INFO, NULL, 0};
    CHECK(vkCreateFence(at->device, &fence, NULL, &shown->done));
    make_swapchain(shown, wide, high);
}

static void frame(struct shown *shown)
{
    struct scene *at = shown->at;
    OF_DEVICE(vkAcquireNextImageKHR);
    OF_DEVICE(vkQueueSubmit);
    OF_DEVICE(vkQueuePresentKHR);
    OF_DEVICE(vkWaitForFences);
    OF_DEVICE(vkResetFences);
    uint32_t image;
    CHECK(vkAcquireNextImageKHR(at->device, shown->swapchain, ~0ull, shown->acquired, VK_NULL_HANDLE, &image));
    VkPipelineStageFlags stage = VK_PIPELINE_STAGE_TRANSFER_BIT;
    VkSubmitInfo submit = {VK_STRUCTURE_TYPE_SUBMIT_INFO, NULL, 1, &shown->acquired, &stage, 1, &shown->commands[image], 1, &shown->drawn};
    CHECK(vkQueueSubmit(at->queue, 1, &submit, shown->done));
    VkPresentInfoKHR info = {VK_STRUCTURE_TYPE_PRESENT_INFO_KHR, NULL, 1, &shown->drawn, 1, &shown->swapchain, &image, NULL};
    if (own_log) {
        struct timespec now;
        clock_gettime(CLOCK_MONOTONIC, &now);
        pthread_mutex_lock(&log_lock);
        fprintf(own_log, "%lld\n", (long long)now.tv_sec * 1000000000ll + now.tv_nsec);
        pthread_mutex_unlock(&log_lock);
    }
    CHECK(vkQueuePresentKHR(at->queue, &info));
    CHECK(vkWaitForFences(at->device, 1, &shown->done, VK_TRUE, ~0ull));
    CHECK(vkResetFences(at->device, 1, &shown->done));
}

static int count;

static void *alone(void *unused)
{
    struct scene scene;
    struct shown shown;
    (void)unused;
    start(&scene);
    show(&shown, &scene, width, height);
    for (int i = 0; i < count; i++)
        frame(&shown);
    return NULL;
}

static struct shown shared;
static pthread_mutex_t turn_lock = PTHREAD_MUTEX_INITIALIZER;

static void *in_turns(void *unused)
{
    (void)unused;
    for (int i = 0; i < count; i++) {
        pthread_mutex_lock(&turn_lock);
        frame(&shared);
        pthread_mutex_unlock(&turn_lock);
    }
    return NULL;
}

static void two_threads(void *(*act)(void *))
{
    pthread_t threads[2];
    for (int i = 0; i < 2; i++)
        pthread_create(&threads[i], NULL, act, NULL);
    for (int i = 0; i < 2; i++)
        pthread_join(threads[i], NULL);
}

int main(int argc, char **argv)
{
    int i = 1;
    for (; i < argc && argv[i][0] == '-'; i++) {
        if (!strcmp(argv[i], "--headless"))
            headless = 1;
        else if (!strcmp(argv[i], "--size") && i + 1 < argc)
            sscanf(argv[++i], "%dx%d", &width, &height);
        else if (!strcmp(argv[i], "--work") && i + 1 < argc)
            work = atoi(argv[++i]);
        else if (!strcmp(argv[i], "--log") && i + 1 < argc)
            own_log = fopen(argv[++i], "w");
    }
    if (i + 1 >= argc)
        return 2;
    const char *act = argv[i];
    count = atoi(argv[i + 1]);
    void *loader = dlopen("libvulkan.so.1", RTLD_NOW);
    if (!loader) {
        fprintf(stderr, "%s\n", dlerror());
        return 3;
    }
    instance_proc = (PFN_vkGetInstanceProcAddr)dlsym(loader, "vkGetInstanceProcAddr");
    int presents = count;
    if (!strcmp(act, "fork")) { /* each process its own */
        pid_t child = fork();
        alone(NULL);
        if (!child)
            _exit(0);
        waitpid(child, NULL, 0);
        presents = 2 * count;
    } else if (!strcmp(act, "threads")) { /* each thread its own window */
        void *x11 = headless ? NULL : dlopen("libX11.so.6", RTLD_NOW);
        if (x11)
            ((int (*)(void))dlsym(x11, "XInitThreads"))();
        two_threads(alone);
        presents = 2 * count;
    } else {
        struct scene scene;
        start(&scene);
        show(&shared, &scene, width, height);
        if (!strcmp(act, "turns")) {
            two_threads(in_turns);
            presents = 2 * count;
        } else if (!strcmp(act, "recreate")) { /* 100 times */
            for (int n = 0; n <= 100; n++) {
                for (int k = 0; k < count / 101; k++)
                    frame(&shared);
                if (n < 100)
                    make_swapchain(&shared, width, height);
            }
            presents = count / 101 * 101;
        } else if (!strcmp(act, "windows")) { /* a smaller one beside it, twice as often */
            struct shown small;
            show(&small, &scene, width / 2, height / 2);
            for (int n = 0; n < count; n++) {
                frame(&shared);
                frame(&small);
                frame(&small);
            }
        } else
            for (int n = 0; n < count; n++)
                frame(&shared);
        if (!strcmp(act, "crash"))
            raise(SIGKILL);
    }
    printf("presents: %d\n", presents);
    if (own_log)
        fclose(own_log);
    return 0;
}
