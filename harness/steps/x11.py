"""A desk on X11: windows and keys through the X protocol, pictures through mss.

Whose a window is says the server itself (extension X-Resource), else the window's ``_NET_WM_PID``: many
programs set none. Keys and buttons go through the extension XTEST, as from a real keyboard, to whatever has
the focus; who calls has looked before.

Sources: X11 protocol; X-Resource 1.2; XTEST 2.2; Extended Window Manager Hints 1.5; ICCCM 2.0.
"""

from __future__ import annotations

import contextlib
import importlib
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final, TypeVar

from harness.steps.desk import WAYLAND, Button, Desk, NoDesk, Window, missing_library

T = TypeVar("T")

_KEYSYMS: Final = {
    "enter": "Return", "escape": "Escape", "space": "space", "tab": "Tab", "backspace": "BackSpace",
    "delete": "Delete", "insert": "Insert", "home": "Home", "end": "End", "page-up": "Prior",
    "page-down": "Next", "up": "Up", "down": "Down", "left": "Left", "right": "Right", "shift": "Shift_L",
    "ctrl": "Control_L", "alt": "Alt_L", "super": "Super_L", "caps-lock": "Caps_Lock", "print": "Print",
    "pause": "Pause", "menu": "Menu",
}  # fmt: skip
_BUTTONS: Final = {"left": 1, "middle": 2, "right": 3}
#: Deepest that a window manager's frames are looked into.
_DEEPEST: Final = 4
#: A new meaning of a spare key is known to programs after this time, seconds.
_REMAP_S: Final = 0.05
_WAYLAND_OUTPUT: Final = "XWAYLAND"


class X11Desk(Desk):
    """A desk on an X server.

    Args:
        display: Its name, as ``:0``.
    """

    def __init__(self, display: str) -> None:
        modules = [
            importlib.import_module(f"Xlib.{name}") for name in ("X", "XK", "Xatom", "display", "error")
        ]
        self._x: Any
        self._xk: Any
        self._x, self._xk, self._atom, xdisplay, self._errors = modules
        self._event: Any = importlib.import_module("Xlib.protocol.event")
        self._xtest: Any = importlib.import_module("Xlib.ext.xtest")
        self._res: Any = importlib.import_module("Xlib.ext.res")
        try:
            self._display: Any = xdisplay.Display(display)
        except Exception as error:  # of many kinds: refused, no such host, no right
            raise NoDesk(
                f"the display {display} can't be opened ({str(error).strip() or type(error).__name__}); "
                "start levelrig inside the session in which the titles run, or set XAUTHORITY",
                permanent=True,
            ) from error
        self._display.set_error_handler(lambda *_: None)  # of windows that went away meanwhile
        self._root: Any = self._display.screen().root
        self._down: set[str] = set()
        self._buttons_down: set[Button] = set()
        self._spare: dict[str, int] = {}
        self._mss: Any = None
        self._refuse_wayland()
        if not self._display.query_extension("XTEST"):
            raise NoDesk(
                f"the display {display} lacks the extension XTEST, which presses keys", permanent=True
            )

    def _refuse_wayland(self) -> None:
        if self._display.query_extension("XWAYLAND"):
            raise NoDesk(WAYLAND, permanent=True)
        if self._display.query_extension("RANDR"):
            with contextlib.suppress(Exception):
                resources = self._root.xrandr_get_screen_resources()
                names = [
                    self._display.xrandr_get_output_info(output, resources.config_timestamp).name
                    for output in resources.outputs
                ]
                if any(str(name).startswith(_WAYLAND_OUTPUT) for name in names):
                    raise NoDesk(WAYLAND, permanent=True)

    # --- windows --------------------------------------------------------------------------------------------

    def size(self) -> tuple[int, int]:
        geometry = self._asked(lambda: self._root.get_geometry())
        return (0, 0) if geometry is None else (geometry.width, geometry.height)

    def windows(self) -> Sequence[Window]:
        self._alive()
        tree = self._asked(lambda: self._root.query_tree())
        children = [] if tree is None else tree.children
        clients = [client for child in children if (client := self._client(child)) is not None]
        return [window for client in clients if (window := self._window(client)) is not None]

    def _alive(self) -> None:
        try:
            self._display.sync()
        except Exception as error:
            raise NoDesk(f"the display is gone ({error}); look what ended it") from error

    def _asked(self, ask: Callable[[], T]) -> T | None:
        """What a request answers; None where its window is gone."""
        try:
            return ask()
        except (self._errors.ConnectionClosedError, OSError) as error:
            raise NoDesk(f"the display is gone ({error}); look what ended it") from error
        except Exception:  # an X error: BadWindow and its like
            return None

    def _client(self, window: Any) -> Any:
        """The program's own window inside a window manager's frame: the first with a state; else this one."""
        attributes = self._asked(lambda: window.get_attributes())
        if attributes is None or attributes.map_state != self._x.IsViewable:
            return None
        if attributes.win_class == self._x.InputOnly:
            return None
        inner = self._inner(window, 0)
        return window if inner is None else inner

    def _inner(self, window: Any, depth: int) -> Any:
        state = self._display.intern_atom("WM_STATE")
        if self._asked(lambda: window.get_full_property(state, self._x.AnyPropertyType)) is not None:
            return window
        if depth >= _DEEPEST:
            return None
        tree = self._asked(lambda: window.query_tree())
        for child in [] if tree is None else tree.children:
            if (found := self._inner(child, depth + 1)) is not None:
                return found
        return None

    def _window(self, window: Any) -> Window | None:
        geometry = self._asked(lambda: window.get_geometry())
        place = self._asked(lambda: self._root.translate_coords(window, 0, 0))
        if geometry is None or place is None or geometry.width < 2 or geometry.height < 2:
            return None
        return Window(
            window.id,
            self._caption(window),
            self._owner(window),
            place.x,
            place.y,
            geometry.width,
            geometry.height,
        )

    def _caption(self, window: Any) -> str:
        for name in ("_NET_WM_NAME", "WM_NAME"):
            atom = self._display.intern_atom(name)
            found = self._asked(partial(window.get_full_property, atom, self._x.AnyPropertyType))
            value = getattr(found, "value", None)
            if value:
                return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
        return ""

    def _owner(self, window: Any) -> int | None:
        """Asked each time: the number of a window that is gone is given to another program's."""
        if self._display.query_extension("X-Resource"):
            mask = self._res.LocalClientPIDMask
            answer = self._asked(
                lambda: self._display.res_query_client_ids([{"client": window.id, "mask": mask}])
            )
            for entry in [] if answer is None else answer.ids:
                values = list(entry.value)
                if values and int(values[0]) > 0:
                    return int(values[0])
        atom = self._display.intern_atom("_NET_WM_PID")
        found = self._asked(lambda: window.get_full_property(atom, self._atom.CARDINAL))
        return int(found.value[0]) if found is not None and len(found.value) else None

    def focused(self) -> Window | None:
        answer = self._asked(lambda: self._display.get_input_focus())
        focus = getattr(answer, "focus", None)
        if focus is None or isinstance(focus, int) or focus.id == self._root.id:
            return None
        shown = {window.id: window for window in self.windows()}
        for _ in range(64):  # up to its top
            if focus.id in shown:
                return shown[focus.id]
            for candidate in shown.values():
                if self._is_below(candidate.id, focus):
                    return candidate
            tree = self._asked(focus.query_tree)
            if tree is None or isinstance(tree.parent, int) or tree.parent.id == self._root.id:
                return None
            focus = tree.parent
        return None

    def _is_below(self, ident: int, frame: Any) -> bool:
        """Whether that window lies directly below the frame that has the focus."""
        tree = self._asked(lambda: frame.query_tree())
        return tree is not None and any(child.id == ident for child in tree.children)

    def focus(self, window: Window) -> None:
        target = self._display.create_resource_object("window", window.id)
        if self._supports("_NET_ACTIVE_WINDOW"):
            self._to_root(target, "_NET_ACTIVE_WINDOW", [2, self._x.CurrentTime, 0, 0, 0])
            self._display.sync()
            return
        self._asked(lambda: target.configure(stack_mode=self._x.Above))
        self._asked(lambda: target.set_input_focus(self._x.RevertToParent, self._x.CurrentTime))
        self._display.sync()

    def _supports(self, name: str) -> bool:
        atom = self._display.intern_atom("_NET_SUPPORTED")
        found = self._asked(lambda: self._root.get_full_property(atom, self._atom.ATOM))
        return found is not None and self._display.intern_atom(name) in list(found.value)

    def _to_root(self, window: Any, name: str, data: list[int]) -> None:
        event = self._event.ClientMessage(
            window=window, client_type=self._display.intern_atom(name), data=(32, data)
        )
        mask = self._x.SubstructureRedirectMask | self._x.SubstructureNotifyMask
        self._asked(lambda: self._root.send_event(event, event_mask=mask))

    def ask_to_close(self, window: Window) -> None:
        target = self._display.create_resource_object("window", window.id)
        protocols, delete = (self._display.intern_atom(n) for n in ("WM_PROTOCOLS", "WM_DELETE_WINDOW"))
        event = self._event.ClientMessage(
            window=target, client_type=protocols, data=(32, [delete, self._x.CurrentTime, 0, 0, 0])
        )
        self._asked(lambda: target.send_event(event))
        self._display.sync()

    # --- pictures -------------------------------------------------------------------------------------------

    def grab(self, x: int, y: int, width: int, height: int) -> Any:
        import numpy as np

        screen_width, screen_height = self.size()
        left, top = max(0, x), max(0, y)
        right, bottom = min(screen_width, x + width), min(screen_height, y + height)
        if right <= left or bottom <= top:
            return np.zeros((0, 0, 3), np.uint8)
        try:
            if self._mss is None:
                self._mss = importlib.import_module("mss").MSS(display=self._display.get_display_name())
            shot = self._mss.grab({"left": left, "top": top, "width": right - left, "height": bottom - top})
        except ImportError as error:
            raise NoDesk(missing_library(error), permanent=True) from error
        except Exception as error:
            raise NoDesk(
                f"the screen can't be read ({error}); look whether the display still runs"
            ) from error
        return np.frombuffer(shot.raw, np.uint8).reshape(shot.height, shot.width, 4)[:, :, :3].copy()

    # --- keys and pointer -----------------------------------------------------------------------------------

    def key(self, name: str, down: bool) -> None:
        code, shifted = self._code(name)
        if shifted and down and "shift" not in self._down:
            shift = self._code("shift")[0]
            self._fake(self._x.KeyPress, shift)
            self._fake(self._x.KeyPress, code)
            self._fake(self._x.KeyRelease, shift)
        else:
            self._fake(self._x.KeyPress if down else self._x.KeyRelease, code)
        (self._down.add if down else self._down.discard)(name)
        self._display.sync()

    def _fake(self, kind: Any, detail: int = 0, x: int = 0, y: int = 0) -> None:
        self._xtest.fake_input(self._display, kind, detail, x=x, y=y)

    def _code(self, name: str) -> tuple[int, bool]:
        """Key code, and whether it needs Shift. A sign that no key has is put on a spare one."""
        keysym = self._keysym(name)
        codes = list(self._display.keysym_to_keycodes(keysym))
        best = min(codes, key=lambda found: found[1], default=None)
        if best is not None and best[1] in (0, 1):
            return best[0], best[1] == 1
        if name not in self._spare:
            self._spare[name] = self._put_on_spare(keysym, name)
        return self._spare[name], False

    def _keysym(self, name: str) -> int:
        if len(name) == 1:
            point = ord(name)
            return point if 0x20 <= point <= 0x7E or 0xA0 <= point <= 0xFF else 0x01000000 | point
        if name.startswith("f") and name[1:].isdigit():
            return int(self._xk.string_to_keysym(name.upper()))
        return int(self._xk.string_to_keysym(_KEYSYMS[name]))

    def _put_on_spare(self, keysym: int, name: str) -> int:
        first = self._display.display.info.min_keycode
        last = self._display.display.info.max_keycode
        table = self._display.get_keyboard_mapping(first, last - first + 1)
        free = [first + place for place, syms in enumerate(table) if not any(syms)]
        free = [code for code in free if code not in self._spare.values()]
        if not free:
            raise ValueError(f"this keyboard has no key for {name!r}, and none to spare")
        self._display.change_keyboard_mapping(free[-1], [[keysym] * max(2, len(table[0]))])
        self._display.sync()
        time.sleep(_REMAP_S)
        return int(free[-1])

    def move(self, x: int, y: int) -> None:
        self._fake(self._x.MotionNotify, x=x, y=y)
        self._display.sync()

    def button(self, name: Button, down: bool) -> None:
        self._fake(self._x.ButtonPress if down else self._x.ButtonRelease, _BUTTONS[name])
        (self._buttons_down.add if down else self._buttons_down.discard)(name)
        self._display.sync()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            for name in list(self._down):
                self.key(name, False)
            for button in list(self._buttons_down):
                self.button(button, False)
            for code in self._spare.values():
                self._display.change_keyboard_mapping(code, [[0, 0]])
            self._display.sync()
        with contextlib.suppress(Exception):
            self._display.close()
        if self._mss is not None:
            with contextlib.suppress(Exception):
                self._mss.close()
        self._spare.clear()
