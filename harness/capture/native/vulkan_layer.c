/* A Vulkan layer by the loader's public layer interface, version 2. It passes every call on and records each
 * present. Switched on for one process tree by its environment (harness/capture/switch.py). */
#define _GNU_SOURCE
#include "ring.h"
#include "vulkan_abi.h"
#include "display_times.h"

#include <pthread.h>
#include <string.h>

#define EXPORTED __attribute__((visibility("default")))
#define MOST_INSTANCES 64
#define MOST_DEVICES 64
#define MOST_SWAPCHAINS 256
#define MOST_SURFACES 64

struct instance {
    void *_Atomic key; /* of the loader: what a handle's first word holds */
    VkInstance handle;
    PFN_vkGetInstanceProcAddr next;
    void (*destroy)(VkInstance, const void *);
    void (*destroy_surface)(VkInstance, VkSurfaceKHR, const void *);
};

struct device {
    void *_Atomic key;
    PFN_vkGetDeviceProcAddr next;
    void (*destroy)(VkDevice, const void *);
    VkResult (*create_swapchain)(VkDevice, const struct swapchain_create_info *, const void *, VkSwapchainKHR *);
    void (*destroy_swapchain)(VkDevice, VkSwapchainKHR, const void *);
    VkResult (*present)(VkQueue, const struct present_info *);
    struct display_device display;
};

struct swapchain {
    _Atomic VkSwapchainKHR handle;
    void *device_key;
    uint32_t surface, serial, width, height;
    struct display_watch *watch;
};

struct surface {
    VkSurfaceKHR handle;
    uint32_t serial;
};

static struct instance instances[MOST_INSTANCES];
static struct device devices[MOST_DEVICES];
static struct swapchain swapchains[MOST_SWAPCHAINS];
static struct surface surfaces[MOST_SURFACES];
static pthread_mutex_t tables = PTHREAD_MUTEX_INITIALIZER; /* held by those who change them, never by a present */

static void *key_of(const void *handle)
{
    return *(void *const *)handle;
}

static struct instance *instance_of(const void *handle)
{
    for (unsigned i = 0; i < MOST_INSTANCES; i++)
        if (atomic_load_explicit(&instances[i].key, memory_order_acquire) == key_of(handle))
            return &instances[i];
    return NULL;
}

static struct device *device_of(const void *handle)
{
    for (unsigned i = 0; i < MOST_DEVICES; i++)
        if (atomic_load_explicit(&devices[i].key, memory_order_acquire) == key_of(handle))
            return &devices[i];
    return NULL;
}

static struct swapchain *swapchain_of(void *device_key, VkSwapchainKHR handle)
{
    for (unsigned i = 0; i < MOST_SWAPCHAINS; i++)
        if (atomic_load_explicit(&swapchains[i].handle, memory_order_acquire) == handle &&
            swapchains[i].device_key == device_key)
            return &swapchains[i];
    return NULL;
}

/* What the loader put into the chain of a creation for this layer. */
static void *loader_link(const void *chain, int32_t type)
{
    for (const struct chained *at = chain; at; at = at->pNext)
        if (at->sType == type && ((const struct loader_instance_create_info *)at)->function == LAYER_LINK_INFO)
            return (void *)at;
    return NULL;
}

static VkResult layer_create_instance(const struct chained *info, const void *allocator, VkInstance *made)
{
    struct loader_instance_create_info *loader = loader_link(info->pNext, TYPE_LOADER_INSTANCE_CREATE_INFO);
    if (!loader || !loader->u.link)
        return VK_ERROR_INITIALIZATION_FAILED;
    PFN_vkGetInstanceProcAddr next = loader->u.link->next_instance_proc;
    VkResult (*create)(const void *, const void *, VkInstance *) = (void *)next(NULL, "vkCreateInstance");
    if (!create)
        return VK_ERROR_INITIALIZATION_FAILED;
    loader->u.link = loader->u.link->pNext;
    VkResult result = create(info, allocator, made);
    if (result != VK_SUCCESS)
        return result;
    pthread_mutex_lock(&tables);
    unsigned i = 0;
    while (i < MOST_INSTANCES && atomic_load(&instances[i].key))
        i++;
    if (i < MOST_INSTANCES) {
        instances[i].handle = *made;
        instances[i].next = next;
        instances[i].destroy = (void *)next(*made, "vkDestroyInstance");
        instances[i].destroy_surface = (void *)next(*made, "vkDestroySurfaceKHR");
        atomic_store_explicit(&instances[i].key, key_of(*made), memory_order_release);
    }
    pthread_mutex_unlock(&tables);
    if (i < MOST_INSTANCES)
        return result;
    void (*destroy)(VkInstance, const void *) = (void *)next(*made, "vkDestroyInstance");
    tell_failure("instances", 0);
    destroy(*made, allocator);
    return VK_ERROR_INITIALIZATION_FAILED;
}

static void layer_destroy_instance(VkInstance handle, const void *allocator)
{
    struct instance *instance = handle ? instance_of(handle) : NULL;
    if (!instance)
        return;
    void (*destroy)(VkInstance, const void *) = instance->destroy;
    pthread_mutex_lock(&tables);
    atomic_store(&instance->key, NULL);
    pthread_mutex_unlock(&tables);
    destroy(handle, allocator);
}

static void layer_destroy_surface(VkInstance handle, VkSurfaceKHR surface, const void *allocator)
{
    pthread_mutex_lock(&tables);
    for (unsigned i = 0; i < MOST_SURFACES; i++)
        if (surfaces[i].handle == surface && surface) /* the handle may come again for another window */
            surfaces[i] = (struct surface){0};
    pthread_mutex_unlock(&tables);
    struct instance *instance = instance_of(handle);
    if (instance && instance->destroy_surface)
        instance->destroy_surface(handle, surface, allocator);
}

static uint32_t serial_of_surface(VkSurfaceKHR handle)
{
    unsigned unused = MOST_SURFACES;
    for (unsigned i = 0; i < MOST_SURFACES; i++) {
        if (surfaces[i].handle == handle)
            return surfaces[i].serial;
        if (!surfaces[i].handle && unused == MOST_SURFACES)
            unused = i;
    }
    uint32_t serial = next_serial();
    if (unused < MOST_SURFACES)
        surfaces[unused] = (struct surface){handle, serial};
    return serial;
}

static VkResult layer_create_device(VkPhysicalDevice physical, const struct device_create_info *info,
                                    const void *allocator, VkDevice *made)
{
    struct loader_device_create_info *loader = loader_link(info->pNext, TYPE_LOADER_DEVICE_CREATE_INFO);
    struct instance *instance = instance_of(physical);
    if (!loader || !loader->u.link || !instance)
        return VK_ERROR_INITIALIZATION_FAILED;
    PFN_vkGetInstanceProcAddr next_instance = loader->u.link->next_instance_proc;
    PFN_vkGetDeviceProcAddr next = loader->u.link->next_device_proc;
    create_device_function create = (void *)next_instance(instance->handle, "vkCreateDevice");
    if (!create)
        return VK_ERROR_INITIALIZATION_FAILED;
    loader->u.link = loader->u.link->pNext;
    struct display_device display = {0};
    VkResult result = create_device_with_display_times(create, next_instance, instance->handle, physical, info,
                                                       allocator, made, &display);
    if (result != VK_SUCCESS)
        return result;
    pthread_mutex_lock(&tables);
    unsigned i = 0;
    while (i < MOST_DEVICES && atomic_load(&devices[i].key))
        i++;
    if (i < MOST_DEVICES) {
        struct device *device = &devices[i];
        device->next = next;
        device->destroy = (void *)next(*made, "vkDestroyDevice");
        device->create_swapchain = (void *)next(*made, "vkCreateSwapchainKHR");
        device->destroy_swapchain = (void *)next(*made, "vkDestroySwapchainKHR");
        device->present = (void *)next(*made, "vkQueuePresentKHR");
        device->display = display;
        display_device_made(&device->display, *made, next);
        atomic_store_explicit(&device->key, key_of(*made), memory_order_release);
    }
    pthread_mutex_unlock(&tables);
    if (i < MOST_DEVICES)
        return result;
    void (*destroy)(VkDevice, const void *) = (void *)next(*made, "vkDestroyDevice");
    tell_failure("devices", 0);
    destroy(*made, allocator);
    return VK_ERROR_INITIALIZATION_FAILED;
}

static void layer_destroy_device(VkDevice handle, const void *allocator)
{
    struct device *device = handle ? device_of(handle) : NULL;
    if (!device)
        return;
    void (*destroy)(VkDevice, const void *) = device->destroy;
    void *key = key_of(handle);
    for (unsigned i = 0; i < MOST_SWAPCHAINS; i++)
        if (atomic_load(&swapchains[i].handle) && swapchains[i].device_key == key) {
            end_watch(swapchains[i].watch);
            atomic_store(&swapchains[i].handle, 0);
        }
    pthread_mutex_lock(&tables);
    atomic_store(&device->key, NULL);
    pthread_mutex_unlock(&tables);
    destroy(handle, allocator);
}

static VkResult layer_create_swapchain(VkDevice handle, const struct swapchain_create_info *info,
                                       const void *allocator, VkSwapchainKHR *made)
{
    struct device *device = device_of(handle);
    void *key = key_of(handle);
    struct swapchain *old = info->oldSwapchain ? swapchain_of(key, info->oldSwapchain) : NULL;
    if (old && old->watch) { /* a retired swapchain is waited for no more */
        end_watch(old->watch);
        old->watch = NULL;
    }
    VkResult result = device->create_swapchain(handle, info, allocator, made);
    if (result != VK_SUCCESS)
        return result;
    ring_of_process(); /* opened here, so that no present does it */
    pthread_mutex_lock(&tables);
    unsigned i = 0;
    while (i < MOST_SWAPCHAINS && atomic_load(&swapchains[i].handle))
        i++;
    if (i < MOST_SWAPCHAINS) {
        struct swapchain *swapchain = &swapchains[i];
        swapchain->device_key = key;
        swapchain->surface = serial_of_surface(info->surface);
        swapchain->serial = next_serial();
        swapchain->width = info->width;
        swapchain->height = info->height;
        swapchain->watch = begin_watch(&device->display, *made, swapchain->surface, swapchain->serial);
        atomic_store_explicit(&swapchain->handle, *made, memory_order_release);
    }
    pthread_mutex_unlock(&tables);
    return result;
}

static void layer_destroy_swapchain(VkDevice handle, VkSwapchainKHR swapchain, const void *allocator)
{
    struct device *device = device_of(handle);
    struct swapchain *known = swapchain ? swapchain_of(key_of(handle), swapchain) : NULL;
    if (known) {
        end_watch(known->watch);
        known->watch = NULL;
        atomic_store(&known->handle, 0);
    }
    device->destroy_swapchain(handle, swapchain, allocator);
}

static VkResult layer_queue_present(VkQueue queue, const struct present_info *info)
{
    void *key = key_of(queue);
    struct device *device = device_of(queue);
    struct numbered_present numbered;
    struct display_watch *watch = NULL;
    if (device->display.wait && info->swapchainCount == 1) {
        struct swapchain *only = swapchain_of(key, info->pSwapchains[0]);
        watch = only ? only->watch : NULL;
    }
    const struct present_info *passed = watch ? with_present_id(watch, info, &numbered) : info;
    struct ring_record facts = {0};
    facts.call_ns = now_ns();
    VkResult result = device->present(queue, passed);
    facts.return_ns = now_ns();
    facts.present_id = watch ? numbered.id : 0;
    facts.kind_queue = (uint32_t)PRESENT_VULKAN << 24 | (uint32_t)(((uintptr_t)queue >> 4) & 0xffffff);
    for (uint32_t i = 0; i < info->swapchainCount; i++) {
        struct swapchain *swapchain = swapchain_of(key, info->pSwapchains[i]);
        facts.surface = swapchain ? swapchain->surface : 0;
        facts.swapchain = swapchain ? swapchain->serial : 0;
        facts.width = swapchain ? swapchain->width : 0;
        facts.height = swapchain ? swapchain->height : 0;
        facts.image = info->pImageIndices[i];
        facts.result = info->pResults ? info->pResults[i] : result;
        record_present(&facts);
    }
    return result;
}

static PFN_vkVoidFunction layer_instance_proc(VkInstance handle, const char *name);
static PFN_vkVoidFunction layer_device_proc(VkDevice handle, const char *name);

struct own_function {
    const char *name;
    void *function;
    int of_device, is_extension;
};

static const struct own_function own_functions[] = {
    {"vkGetInstanceProcAddr", layer_instance_proc, 0, 0},
    {"vkCreateInstance", layer_create_instance, 0, 0},
    {"vkDestroyInstance", layer_destroy_instance, 0, 0},
    {"vkCreateDevice", layer_create_device, 0, 0},
    {"vkDestroySurfaceKHR", layer_destroy_surface, 0, 1},
    {"vkGetDeviceProcAddr", layer_device_proc, 1, 0},
    {"vkDestroyDevice", layer_destroy_device, 1, 0},
    {"vkCreateSwapchainKHR", layer_create_swapchain, 1, 1},
    {"vkDestroySwapchainKHR", layer_destroy_swapchain, 1, 1},
    {"vkQueuePresentKHR", layer_queue_present, 1, 1},
};

static const struct own_function *own_function(const char *name)
{
    for (unsigned i = 0; i < sizeof own_functions / sizeof *own_functions; i++)
        if (!strcmp(own_functions[i].name, name))
            return &own_functions[i];
    return NULL;
}

static PFN_vkVoidFunction layer_instance_proc(VkInstance handle, const char *name)
{
    const struct own_function *own = own_function(name);
    struct instance *instance = handle ? instance_of(handle) : NULL;
    if (own && !own->is_extension)
        return (PFN_vkVoidFunction)own->function;
    PFN_vkVoidFunction next = instance ? instance->next(handle, name) : NULL;
    return own && next ? (PFN_vkVoidFunction)own->function : next; /* an extension that is not there stays away */
}

static PFN_vkVoidFunction layer_device_proc(VkDevice handle, const char *name)
{
    const struct own_function *own = own_function(name);
    struct device *device = handle ? device_of(handle) : NULL;
    if (own && own->of_device && !own->is_extension)
        return (PFN_vkVoidFunction)own->function;
    PFN_vkVoidFunction next = device ? device->next(handle, name) : NULL;
    return own && own->of_device && next ? (PFN_vkVoidFunction)own->function : next;
}

EXPORTED VkResult vkNegotiateLoaderLayerInterfaceVersion(struct negotiated_interface *interface)
{
    if (!interface || interface->version < 2)
        return VK_ERROR_INITIALIZATION_FAILED;
    interface->version = 2;
    interface->instance_proc = layer_instance_proc;
    interface->device_proc = layer_device_proc;
    interface->physical_device_proc = NULL;
    return VK_SUCCESS;
}
