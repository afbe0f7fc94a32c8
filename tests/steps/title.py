"""A windowed title of our own: loading screen of random length, menu, settings page, a scene, a dialog that
sometimes comes. ``python title.py [--KEY=VALUE ...]``; it needs tkinter and a display.

Keys: ``frames`` (where its frame log goes), ``load_s`` (longest loading), ``seed``, ``dialog`` (share of runs
in which a dialog comes), ``shift`` (px by which the menu is moved), ``crash`` (``loading``), ``never`` (no
window comes), ``freeze`` (the scene stops drawing), ``caption``.
"""

from __future__ import annotations

import random
import sys
import time
import tkinter
from pathlib import Path

OPTIONS = dict(word.removeprefix("--").split("=", 1) for word in sys.argv[1:])
CHANCE = random.Random(OPTIONS.get("seed") or time.time_ns())
SIZE = (480, 320)
BACK, BUTTON, LIT = "#182430", "#3a5068", "#d08020"
ITEMS = ("Sail", "Settings", "Exit")


def say(text: str) -> None:
    print(text, flush=True)


class Title:
    def __init__(self) -> None:
        self.root = tkinter.Tk()
        self.root.title(OPTIONS.get("caption", "Pebble Harbour"))
        self.root.geometry("{}x{}+40+30".format(*SIZE))
        self.root.resizable(False, False)
        self.canvas = tkinter.Canvas(self.root, width=SIZE[0], height=SIZE[1], bg=BACK, highlightthickness=0)
        self.canvas.pack()
        self.page = "loading"
        self.chosen = 0
        self.quality = 2
        self.frames: list[str] = []
        self.root.bind("<Key>", self.key)
        self.canvas.bind("<Motion>", self.hover)
        self.canvas.bind("<Button-1>", self.click)
        self.root.protocol("WM_DELETE_WINDOW", self.leave)
        self.shift = int(OPTIONS.get("shift", "0"))
        self.loading()

    def loading(self) -> None:
        self.canvas.create_text(240, 160, text="loading ...", fill="#8090a0", font=("DejaVu Sans", 16))
        self.root.after(int(1000 * CHANCE.uniform(0.2, float(OPTIONS.get("load_s", "1")))), self.loaded)
        say("window is up")

    def loaded(self) -> None:
        if OPTIONS.get("crash") == "loading":
            say("out of memory while loading")
            sys.exit(3)
        self.menu()
        if CHANCE.random() < float(OPTIONS.get("dialog", "0")):
            self.dialog()

    def menu(self) -> None:
        self.page = "menu"
        self.draw_menu()
        say("menu")

    def draw_menu(self) -> None:
        self.canvas.delete("all")
        y = 40 + self.shift
        self.canvas.create_text(240, y, text="Pebble Harbour", fill="white", font=("DejaVu Sans", 22))
        for index, item in enumerate(ITEMS):
            top = y + 50 + 60 * index
            fill = LIT if index == self.chosen else BUTTON
            self.canvas.create_rectangle(140, top, 340, top + 44, fill=fill, outline="white", width=2)
            self.canvas.create_text(240, top + 22, text=item, fill="white", font=("DejaVu Sans", 15))

    def dialog(self) -> None:
        self.page = "dialog"
        self.canvas.create_rectangle(90, 90, 390, 230, fill="#f0f0e0", outline="black", width=3)
        self.canvas.create_text(240, 130, text="A newer version is there", font=("DejaVu Sans", 13))
        self.canvas.create_rectangle(190, 170, 290, 206, fill="#4070c0")
        self.canvas.create_text(240, 188, text="Later", fill="white", font=("DejaVu Sans", 13))
        say("dialog")

    def settings(self) -> None:
        self.page = "settings"
        self.canvas.delete("all")
        self.canvas.create_text(240, 60, text="Quality", fill="white", font=("DejaVu Sans", 20))
        self.canvas.create_text(240, 160, text=str(self.quality), fill=LIT, font=("DejaVu Sans", 40))

    def scene(self) -> None:
        self.page = "scene"
        self.canvas.delete("all")
        self.started_s = self.before_s = time.monotonic()
        self.boat = self.canvas.create_oval(20, 120, 60, 160, fill=LIT)
        self.speed = 4
        say("scene begins")
        self.draw()

    def draw(self) -> None:
        if self.page != "scene":
            return
        now_s = time.monotonic()
        if "freeze" not in OPTIONS:
            x = int((now_s - self.started_s) * 60 * self.speed) % 440
            self.canvas.coords(self.boat, x, 120, x + 40, 160)
        self.frames.append(f"{now_s - self.started_s:.6f},{(now_s - self.before_s) * 1000:.4f}")
        self.before_s = now_s
        self.root.after(15, self.draw)

    def key(self, event: tkinter.Event) -> None:
        say(f"key {event.keysym}")
        if self.page == "menu" and event.keysym in ("Up", "Down"):
            self.chosen = (self.chosen + (1 if event.keysym == "Down" else -1)) % len(ITEMS)
            self.draw_menu()
        elif self.page == "menu" and event.keysym == "Return":
            (self.scene, self.settings, self.leave)[self.chosen]()
        elif self.page == "settings" and event.keysym in ("Left", "Right"):
            self.quality = max(0, min(4, self.quality + (1 if event.keysym == "Right" else -1)))
            self.settings()
        elif event.keysym == "Escape" and self.page in ("scene", "settings"):
            self.menu()

    def hover(self, event: tkinter.Event) -> None:
        index = (event.y - 90 - self.shift) // 60
        over = self.page == "menu" and 140 <= event.x <= 340 and 0 <= index < len(ITEMS)
        if over and index != self.chosen:
            self.chosen = index
            self.draw_menu()

    def click(self, event: tkinter.Event) -> None:
        say(f"click {event.x} {event.y}")
        if self.page == "dialog" and 190 <= event.x <= 290 and 170 <= event.y <= 206:
            self.menu()
        elif self.page == "menu" and 140 <= event.x <= 340:
            index = (event.y - 90 - self.shift) // 60
            if 0 <= index < len(ITEMS):
                self.chosen = index
                (self.scene, self.settings, self.leave)[index]()

    def leave(self) -> None:
        if "frames" in OPTIONS:
            Path(OPTIONS["frames"]).write_text("\n".join(["t,ms", *self.frames[1:]]) + "\n")
        say("goodbye")
        self.root.destroy()


if "never" in OPTIONS:
    say("no window today")
    time.sleep(600)
Title().root.mainloop()
