"""Tasks for Windows' Task Scheduler, as XML: what is started, when, as whom and with which priority.

Source: [MS-TSCH] section 2.5 (schema version 1.2) and learn.microsoft.com, "Task Scheduler Schema",
"TaskSettings.Priority" (the default 7 lowers the priority of processor, disk and memory; 4 is normal),
"Security Contexts for Tasks" (a task without an interactive logon has no desktop). Not tried on Windows;
``levelrig doctor --self-test`` registers, queries, runs and deletes one.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from xml.etree import ElementTree

TASK_NAMESPACE: Final = "http://schemas.microsoft.com/windows/2004/02/mit/task"
#: The machine itself: LocalSystem ("Well-known SIDs").
SYSTEM_ACCOUNT: Final = "S-1-5-18"
NORMAL_PRIORITY: Final = "4"
Run = Callable[[Sequence[str]], None]


@dataclass(frozen=True)
class Task:
    """One task.

    Attributes:
        name: Its name in the scheduler.
        description: What it is for.
        starts: At the machine's start, at the user's logon, or when it is asked for.
        user: Account that it runs as, in that user's session; None: the machine, without any session.
        elevated: With all rights that the account has.
        commands: Started one after the other, each as its words.
        tries: So often at most is it started, a minute apart, while it ends with an error.
    """

    name: str
    description: str
    starts: Literal["boot", "logon", "asked"]
    commands: Sequence[Sequence[str]]
    user: str | None = None
    elevated: bool = True
    tries: int = 1

    def __post_init__(self) -> None:
        if self.starts == "logon" and self.user is None:
            raise ValueError("a task that starts at a logon needs the user")


def task_xml(task: Task) -> str:
    """The scheduler's definition of a task."""
    ElementTree.register_namespace("", TASK_NAMESPACE)
    root = ElementTree.Element(f"{{{TASK_NAMESPACE}}}Task", {"version": "1.2"})

    def add(parent: ElementTree.Element, name: str, text: str | None = None) -> ElementTree.Element:
        child = ElementTree.SubElement(parent, f"{{{TASK_NAMESPACE}}}{name}")
        child.text = text
        return child

    add(add(root, "RegistrationInfo"), "Description", task.description)
    triggers = add(root, "Triggers")
    if task.starts != "asked":
        trigger = add(triggers, {"boot": "BootTrigger", "logon": "LogonTrigger"}[task.starts])
        add(trigger, "Enabled", "true")
        if task.starts == "logon":
            add(trigger, "UserId", task.user)
            add(trigger, "Delay", "PT30S")  # the desktop is there by then; common practice, no source
    principal = add(add(root, "Principals"), "Principal")
    principal.set("id", "Author")
    add(principal, "UserId", task.user or SYSTEM_ACCOUNT)
    if task.user is not None:
        add(principal, "LogonType", "InteractiveToken")
    add(principal, "RunLevel", "HighestAvailable" if task.elevated else "LeastPrivilege")
    settings = add(root, "Settings")
    add(settings, "MultipleInstancesPolicy", "IgnoreNew")
    add(settings, "DisallowStartIfOnBatteries", "false")
    add(settings, "StopIfGoingOnBatteries", "false")
    add(settings, "AllowStartOnDemand", "true")
    add(settings, "ExecutionTimeLimit", "PT0S")
    add(settings, "Priority", NORMAL_PRIORITY)
    if task.tries > 1:
        restart = add(settings, "RestartOnFailure")
        add(restart, "Interval", "PT1M")
        add(restart, "Count", str(task.tries - 1))
    actions = add(root, "Actions")
    actions.set("Context", "Author")
    for program, *words in task.commands:
        action = add(actions, "Exec")
        add(action, "Command", program)
        add(action, "Arguments", subprocess.list2cmdline(words))
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-16"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def register(task: Task, definition: Path, run: Run) -> None:
    """Have the scheduler take a task from a file that is written by :func:`task_xml` in UTF-16."""
    run(["schtasks", "/Create", "/F", "/TN", task.name, "/XML", str(definition)])


def unregister(name: str, run: Run) -> None:
    """Have the scheduler forget a task."""
    run(["schtasks", "/Delete", "/F", "/TN", name])
