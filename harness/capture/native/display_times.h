/* Times of display by VK_KHR_present_id and VK_KHR_present_wait, where the plan asks for them and the device
 * offers both: each present gets an id, and a thread beside the title waits for one id after the other.
 * The specification lets vkWaitForPresentKHR run beside other uses of the swapchain, but for its end. */
#ifndef LEVELRIG_DISPLAY_TIMES_H
#define LEVELRIG_DISPLAY_TIMES_H

#include "vulkan_abi.h"

struct display_watch;

typedef VkResult (*create_device_function)(VkPhysicalDevice, const struct device_create_info *, const void *,
                                           VkDevice *);

struct display_device {
    int on; /* both extensions are switched on for this device by us */
    VkDevice handle;
    VkResult (*wait)(VkDevice, VkSwapchainKHR, uint64_t, uint64_t);
};

/* A present with an id of ours; lives while the present is under way. */
struct numbered_present {
    struct present_info info;
    struct present_ids ids;
    uint64_t id;
};

/* Create the device, with both extensions where the plan wants times of display and the device has them. */
VkResult create_device_with_display_times(create_device_function create, PFN_vkGetInstanceProcAddr next,
                                          VkInstance instance, VkPhysicalDevice physical,
                                          const struct device_create_info *info, const void *allocator,
                                          VkDevice *made, struct display_device *display);
void display_device_made(struct display_device *display, VkDevice made, PFN_vkGetDeviceProcAddr next);
/* NULL where there are no times of display. */
struct display_watch *begin_watch(struct display_device *display, VkSwapchainKHR swapchain, uint32_t surface,
                                  uint32_t serial);
/* Ends it and waits until it has ended; NULL is fine. */
void end_watch(struct display_watch *watch);
const struct present_info *with_present_id(struct display_watch *watch, const struct present_info *info,
                                           struct numbered_present *numbered);

#endif
