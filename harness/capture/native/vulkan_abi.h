/* The few parts of Vulkan's public interface that the layer needs, as the Vulkan specification and the
 * loader's public layer interface lay them out, so that no headers need be installed.
 * tests/capture/test_native.py holds them against the real headers where those are installed. */
#ifndef LEVELRIG_VULKAN_ABI_H
#define LEVELRIG_VULKAN_ABI_H

#include <stdint.h>

typedef int32_t VkResult;
typedef uint32_t VkBool32;
typedef struct VkInstance_T *VkInstance;
typedef struct VkPhysicalDevice_T *VkPhysicalDevice;
typedef struct VkDevice_T *VkDevice;
typedef struct VkQueue_T *VkQueue;
typedef uint64_t VkSurfaceKHR, VkSwapchainKHR, VkSemaphore;
typedef void (*PFN_vkVoidFunction)(void);
typedef PFN_vkVoidFunction (*PFN_vkGetInstanceProcAddr)(VkInstance, const char *);
typedef PFN_vkVoidFunction (*PFN_vkGetDeviceProcAddr)(VkDevice, const char *);

enum {
    VK_SUCCESS = 0,
    VK_TIMEOUT = 2,
    VK_ERROR_INITIALIZATION_FAILED = -3,
    TYPE_DEVICE_CREATE_INFO = 3,
    TYPE_LOADER_INSTANCE_CREATE_INFO = 47,
    TYPE_LOADER_DEVICE_CREATE_INFO = 48,
    TYPE_PHYSICAL_DEVICE_FEATURES_2 = 1000059000,
    TYPE_PRESENT_ID = 1000294000,
    TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES = 1000294001,
    TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES = 1000248000,
    LAYER_LINK_INFO = 0,
};

struct chained { /* how every extensible structure begins */
    int32_t sType;
    const void *pNext;
};

struct instance_link {
    struct instance_link *pNext;
    PFN_vkGetInstanceProcAddr next_instance_proc;
    PFN_vkVoidFunction next_physical_device_proc;
};

struct device_link {
    struct device_link *pNext;
    PFN_vkGetInstanceProcAddr next_instance_proc;
    PFN_vkGetDeviceProcAddr next_device_proc;
};

struct loader_instance_create_info {
    int32_t sType;
    const void *pNext;
    int32_t function;
    union {
        struct instance_link *link;
        void *largest[2]; /* other members of the union are read by nobody here */
    } u;
};

struct loader_device_create_info {
    int32_t sType;
    const void *pNext;
    int32_t function;
    union {
        struct device_link *link;
        void *largest[2];
    } u;
};

struct negotiated_interface {
    int32_t sType;
    void *pNext;
    uint32_t version;
    PFN_vkGetInstanceProcAddr instance_proc;
    PFN_vkGetDeviceProcAddr device_proc;
    PFN_vkVoidFunction physical_device_proc;
};

struct device_create_info {
    int32_t sType;
    const void *pNext;
    uint32_t flags, queueCreateInfoCount;
    const void *pQueueCreateInfos;
    uint32_t enabledLayerCount;
    const char *const *ppEnabledLayerNames;
    uint32_t enabledExtensionCount;
    const char *const *ppEnabledExtensionNames;
    const void *pEnabledFeatures;
};

struct extension_properties {
    char extensionName[256];
    uint32_t specVersion;
};

struct one_feature { /* VkPhysicalDevicePresentIdFeaturesKHR, VkPhysicalDevicePresentWaitFeaturesKHR */
    int32_t sType;
    void *pNext;
    VkBool32 enabled;
};

struct features_2 {
    int32_t sType;
    void *pNext;
    VkBool32 features[55];
};

struct swapchain_create_info {
    int32_t sType;
    const void *pNext;
    uint32_t flags;
    VkSurfaceKHR surface;
    uint32_t minImageCount;
    int32_t imageFormat, imageColorSpace;
    uint32_t width, height;
    uint32_t imageArrayLayers, imageUsage;
    int32_t imageSharingMode;
    uint32_t queueFamilyIndexCount;
    const uint32_t *pQueueFamilyIndices;
    uint32_t preTransform, compositeAlpha;
    int32_t presentMode;
    VkBool32 clipped;
    VkSwapchainKHR oldSwapchain;
};

struct present_info {
    int32_t sType;
    const void *pNext;
    uint32_t waitSemaphoreCount;
    const VkSemaphore *pWaitSemaphores;
    uint32_t swapchainCount;
    const VkSwapchainKHR *pSwapchains;
    const uint32_t *pImageIndices;
    VkResult *pResults;
};

struct present_ids {
    int32_t sType;
    const void *pNext;
    uint32_t swapchainCount;
    const uint64_t *pPresentIds;
};

#endif
