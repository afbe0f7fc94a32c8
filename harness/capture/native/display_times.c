#define _GNU_SOURCE
#include "display_times.h"
#include "ring.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define MOST_EXTENSIONS 512
#define WAIT_NS 20000000u /* longest that the end of a swapchain is held up */
#define MOST_REFUSALS 50

struct display_watch {
    struct display_device *device;
    VkSwapchainKHR swapchain;
    uint32_t surface, serial;
    _Atomic uint64_t last_id; /* given to a present */
    _Atomic int ends;
    pthread_t thread;
};

static int wanted;

__attribute__((constructor)) static void find_wish(void)
{
    const char *asked = getenv("LEVELRIG_CAPTURE_DISPLAY");
    wanted = asked && !strcmp(asked, "1");
}

static int has_name(const char *const *names, uint32_t count, const char *name)
{
    for (uint32_t i = 0; i < count; i++)
        if (!strcmp(names[i], name))
            return 1;
    return 0;
}

static int chain_has(const void *chain, int32_t type)
{
    for (const struct chained *at = chain; at; at = at->pNext)
        if (at->sType == type)
            return 1;
    return 0;
}

/* Whether the device has both extensions and both features. */
static int is_offered(PFN_vkGetInstanceProcAddr next, VkInstance instance, VkPhysicalDevice physical)
{
    VkResult (*enumerate)(VkPhysicalDevice, const char *, uint32_t *, struct extension_properties *) =
        (void *)next(instance, "vkEnumerateDeviceExtensionProperties");
    void (*features)(VkPhysicalDevice, struct features_2 *) = (void *)next(instance, "vkGetPhysicalDeviceFeatures2");
    if (!features)
        features = (void *)next(instance, "vkGetPhysicalDeviceFeatures2KHR");
    uint32_t count = MOST_EXTENSIONS, found = 0;
    struct extension_properties *properties = calloc(MOST_EXTENSIONS, sizeof *properties);
    if (!properties || !enumerate || !features || enumerate(physical, NULL, &count, properties) < 0) {
        free(properties);
        return 0;
    }
    for (uint32_t i = 0; i < count; i++)
        found += !strcmp(properties[i].extensionName, "VK_KHR_present_id") ||
                 !strcmp(properties[i].extensionName, "VK_KHR_present_wait");
    free(properties);
    if (found != 2)
        return 0;
    struct one_feature waiting = {TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES, NULL, 0};
    struct one_feature numbering = {TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES, &waiting, 0};
    struct features_2 all = {TYPE_PHYSICAL_DEVICE_FEATURES_2, &numbering, {0}};
    features(physical, &all);
    return waiting.enabled && numbering.enabled;
}

VkResult create_device_with_display_times(create_device_function create, PFN_vkGetInstanceProcAddr next,
                                          VkInstance instance, VkPhysicalDevice physical,
                                          const struct device_create_info *info, const void *allocator,
                                          VkDevice *made, struct display_device *display)
{
    uint32_t count = info->enabledExtensionCount;
    if (!wanted || !has_name(info->ppEnabledExtensionNames, count, "VK_KHR_swapchain"))
        return create(physical, info, allocator, made);
    int taken = has_name(info->ppEnabledExtensionNames, count, "VK_KHR_present_id") ||
                has_name(info->ppEnabledExtensionNames, count, "VK_KHR_present_wait") ||
                chain_has(info->pNext, TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES) ||
                chain_has(info->pNext, TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES);
    const char **names = taken ? NULL : calloc(count + 2, sizeof *names);
    if (!names || !is_offered(next, instance, physical)) {
        tell_failure(taken ? "ids-taken" : "display-times-not-offered", 0);
        free(names);
        return create(physical, info, allocator, made);
    }
    memcpy(names, info->ppEnabledExtensionNames, count * sizeof *names);
    names[count] = "VK_KHR_present_id";
    names[count + 1] = "VK_KHR_present_wait";
    struct one_feature waiting = {TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES, (void *)info->pNext, 1};
    struct one_feature numbering = {TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES, &waiting, 1};
    struct device_create_info more = *info;
    more.pNext = &numbering;
    more.enabledExtensionCount = count + 2;
    more.ppEnabledExtensionNames = names;
    VkResult result = create(physical, &more, allocator, made);
    free(names);
    if (result == VK_SUCCESS) {
        display->on = 1;
        return result;
    }
    tell_failure("display-times-refused", result);
    return result; /* the loader's link is used up: the title tries again or says so */
}

void display_device_made(struct display_device *display, VkDevice made, PFN_vkGetDeviceProcAddr next)
{
    display->handle = made;
    display->wait = display->on ? (void *)next(made, "vkWaitForPresentKHR") : NULL;
}

static void *watch_displays(void *given)
{
    struct display_watch *watch = given;
    struct display_device *device = watch->device;
    struct ring_record facts = {0};
    facts.kind_queue = (uint32_t)PRESENT_DISPLAYED << 24;
    facts.surface = watch->surface;
    facts.swapchain = watch->serial;
    int refusals = 0;
    for (uint64_t id = 1; !atomic_load(&watch->ends);) {
        VkResult result = device->wait(device->handle, watch->swapchain, id, WAIT_NS);
        if (result == VK_TIMEOUT)
            continue;
        if (result < 0) { /* out of date: nothing more is displayed by it */
            if (++refusals > MOST_REFUSALS)
                break;
            struct timespec pause = {0, 1000000};
            nanosleep(&pause, NULL);
            continue;
        }
        refusals = 0;
        facts.call_ns = facts.return_ns = now_ns();
        facts.present_id = id++;
        facts.result = result;
        record_present(&facts);
    }
    return NULL;
}

struct display_watch *begin_watch(struct display_device *display, VkSwapchainKHR swapchain, uint32_t surface,
                                  uint32_t serial)
{
    struct ring_header *ring = display->wait ? ring_of_process() : NULL;
    if (!ring)
        return NULL;
    struct display_watch *watch = calloc(1, sizeof *watch);
    if (!watch)
        return NULL;
    watch->device = display;
    watch->swapchain = swapchain;
    watch->surface = surface;
    watch->serial = serial;
    if (pthread_create(&watch->thread, NULL, watch_displays, watch)) {
        tell_failure("thread", errno);
        free(watch);
        return NULL;
    }
    ring->display_times = 1;
    return watch;
}

void end_watch(struct display_watch *watch)
{
    if (!watch)
        return;
    atomic_store(&watch->ends, 1);
    pthread_join(watch->thread, NULL);
    free(watch);
}

const struct present_info *with_present_id(struct display_watch *watch, const struct present_info *info,
                                           struct numbered_present *numbered)
{
    numbered->id = atomic_fetch_add(&watch->last_id, 1) + 1;
    numbered->info = *info;
    numbered->ids = (struct present_ids){TYPE_PRESENT_ID, info->pNext, 1, &numbered->id};
    numbered->info.pNext = &numbered->ids;
    return &numbered->info;
}
