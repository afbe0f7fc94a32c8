/* Our few declarations against the real headers: sizes, places and numbers. Compiles, or does not. */
#include <stddef.h>
#include <stdint.h>
#define VK_NO_PROTOTYPES
#include <vulkan/vulkan.h>
#include <vulkan/vk_layer.h>

#define VkInstance OurVkInstance
#define VkPhysicalDevice OurVkPhysicalDevice
#define VkDevice OurVkDevice
#define VkQueue OurVkQueue
#define VkResult OurVkResult
#define VkBool32 OurVkBool32
#define VkSurfaceKHR OurVkSurfaceKHR
#define VkSwapchainKHR OurVkSwapchainKHR
#define VkSemaphore OurVkSemaphore
#define PFN_vkVoidFunction our_void_function
#define PFN_vkGetInstanceProcAddr our_instance_proc
#define PFN_vkGetDeviceProcAddr our_device_proc
#define VK_SUCCESS OUR_SUCCESS
#define VK_TIMEOUT OUR_TIMEOUT
#define VK_ERROR_INITIALIZATION_FAILED OUR_INITIALIZATION_FAILED
#include "vulkan_abi.h"
#undef VK_SUCCESS
#undef VK_TIMEOUT
#undef VK_ERROR_INITIALIZATION_FAILED

#define SAME(ours, theirs) _Static_assert((long long)(ours) == (long long)(theirs), #ours)
#define FIELD(ours, our_field, theirs, their_field) \
    SAME(offsetof(struct ours, our_field), offsetof(theirs, their_field)); \
    SAME(sizeof(((struct ours *)0)->our_field), sizeof(((theirs *)0)->their_field))
#define WHOLE(ours, theirs) SAME(sizeof(struct ours), sizeof(theirs))

SAME(OUR_SUCCESS, VK_SUCCESS);
SAME(OUR_TIMEOUT, VK_TIMEOUT);
SAME(OUR_INITIALIZATION_FAILED, VK_ERROR_INITIALIZATION_FAILED);
SAME(TYPE_DEVICE_CREATE_INFO, VK_STRUCTURE_TYPE_DEVICE_CREATE_INFO);
SAME(TYPE_LOADER_INSTANCE_CREATE_INFO, VK_STRUCTURE_TYPE_LOADER_INSTANCE_CREATE_INFO);
SAME(TYPE_LOADER_DEVICE_CREATE_INFO, VK_STRUCTURE_TYPE_LOADER_DEVICE_CREATE_INFO);
SAME(TYPE_PHYSICAL_DEVICE_FEATURES_2, VK_STRUCTURE_TYPE_PHYSICAL_DEVICE_FEATURES_2);
SAME(TYPE_PRESENT_ID, VK_STRUCTURE_TYPE_PRESENT_ID_KHR);
SAME(TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES, VK_STRUCTURE_TYPE_PHYSICAL_DEVICE_PRESENT_ID_FEATURES_KHR);
SAME(TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES, VK_STRUCTURE_TYPE_PHYSICAL_DEVICE_PRESENT_WAIT_FEATURES_KHR);
SAME(LAYER_LINK_INFO, VK_LAYER_LINK_INFO);
WHOLE(instance_link, VkLayerInstanceLink);
FIELD(instance_link, next_instance_proc, VkLayerInstanceLink, pfnNextGetInstanceProcAddr);
WHOLE(device_link, VkLayerDeviceLink);
FIELD(device_link, next_device_proc, VkLayerDeviceLink, pfnNextGetDeviceProcAddr);
FIELD(loader_instance_create_info, function, VkLayerInstanceCreateInfo, function);
FIELD(loader_instance_create_info, u.link, VkLayerInstanceCreateInfo, u.pLayerInfo);
FIELD(loader_device_create_info, function, VkLayerDeviceCreateInfo, function);
FIELD(loader_device_create_info, u.link, VkLayerDeviceCreateInfo, u.pLayerInfo);
WHOLE(negotiated_interface, VkNegotiateLayerInterface);
FIELD(negotiated_interface, version, VkNegotiateLayerInterface, loaderLayerInterfaceVersion);
FIELD(negotiated_interface, device_proc, VkNegotiateLayerInterface, pfnGetDeviceProcAddr);
WHOLE(device_create_info, VkDeviceCreateInfo);
FIELD(device_create_info, enabledExtensionCount, VkDeviceCreateInfo, enabledExtensionCount);
FIELD(device_create_info, ppEnabledExtensionNames, VkDeviceCreateInfo, ppEnabledExtensionNames);
WHOLE(extension_properties, VkExtensionProperties);
WHOLE(one_feature, VkPhysicalDevicePresentIdFeaturesKHR);
FIELD(one_feature, enabled, VkPhysicalDevicePresentWaitFeaturesKHR, presentWait);
WHOLE(features_2, VkPhysicalDeviceFeatures2);
WHOLE(swapchain_create_info, VkSwapchainCreateInfoKHR);
FIELD(swapchain_create_info, surface, VkSwapchainCreateInfoKHR, surface);
FIELD(swapchain_create_info, width, VkSwapchainCreateInfoKHR, imageExtent.width);
FIELD(swapchain_create_info, oldSwapchain, VkSwapchainCreateInfoKHR, oldSwapchain);
WHOLE(present_info, VkPresentInfoKHR);
FIELD(present_info, pSwapchains, VkPresentInfoKHR, pSwapchains);
FIELD(present_info, pResults, VkPresentInfoKHR, pResults);
WHOLE(present_ids, VkPresentIdKHR);
FIELD(present_ids, pPresentIds, VkPresentIdKHR, pPresentIds);

int main(void) { return 0; }
