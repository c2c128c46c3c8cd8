"""Functions for workers that are lost: killed as the system kills a process that takes too much."""

import os
import signal
from pathlib import Path

from stormplan.planning.site_block import SiteBlock


def killed_once(marker: Path, stage: str, function, task):
    """Do a task, but the first time that any worker is at a stage it is killed."""
    if task.stage != stage:
        return function(task)
    try:
        marker.touch(exist_ok=False)
    except FileExistsError:
        return function(task)
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("not reached")


def killed_at(site: str, function, task):
    """Do a task, but a worker that is given a certain site is killed."""
    if isinstance(task, SiteBlock) and site in task.sites.sites:
        os.kill(os.getpid(), signal.SIGKILL)
    return function(task)


def failing_at(site: str, function, task):
    """Do a task, but fail where it has a certain site."""
    if isinstance(task, SiteBlock) and site in task.sites.sites:
        raise ZeroDivisionError("a secret")
    return function(task)
