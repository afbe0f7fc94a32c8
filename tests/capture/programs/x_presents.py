"""Presents pixmaps, or draws rectangles, in a window of X: x_presents.py present|draw COUNT PERIOD_S"""

import os
import struct
import sys
import time

from harness.capture.x11 import XClient

act, count, period_s = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
client = XClient(os.environ)
window, pixmap, context = client.new_id(), client.new_id(), client.new_id()
client.send(1, 0, struct.pack("<IIhhHHHHII", window, client.root, 0, 0, 200, 100, 0, 1, 0, 0))
client.send(8, 0, struct.pack("<I", window))
client.send(53, 24, struct.pack("<IIHH", pixmap, window, 200, 100))
client.send(55, 0, struct.pack("<III", context, window, 0))
present = client.extension("Present")
assert present is not None
time.sleep(1.2)  # the window is found meanwhile
for serial in range(1, count + 1):
    if act == "present":
        body = struct.pack("<IIIIIhhIIIIIQQQ", window, pixmap, serial, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0)
        client.send(present[0], 1, body)
    else:
        client.send(70, 0, struct.pack("<IIhhHH", window, context, 0, 0, 200, 100))
    time.sleep(period_s)
client.children(client.root)
time.sleep(0.3)
print(f"presents: {count}")
