"""Damage to texts and trees, drawn with a seed: what no service should send, and some do."""

from __future__ import annotations

import copy
import random

NASTY = [
    None, True, False, 0, -1, 1e308, -1e308, float("nan"), float("inf"), 10**400, "", " ", "\0",
    "nan", "1e999", "PT1H", "P9999999D", "2026-01-12T06:00:00+00:00/PT-3H",
    "2026-13-45T99:99:99+99:99/P1D", "9999-12-31T23:00:00+00:00/P9D",
    "0001-01-01T00:00:00+14:00/PT1H",
    "2026-01-12T06:00:00/PT3H", "wmoUnit:furlong", "é🌨️", [], {}, [None], [[[]]], {"a": {"b": 1}},
    {"validTime": 3, "value": "x"}, {"value": []}, "A" * 5000, "../../etc/passwd", "<script>",
]  # fmt: skip


def nodes(tree: object, path: tuple = ()) -> list[tuple]:
    found = [path]
    items = (
        tree.items()
        if isinstance(tree, dict)
        else enumerate(tree)
        if isinstance(tree, list)
        else ()
    )
    for key, value in items:
        found += nodes(value, (*path, key))
    return found


def damage(tree: object, paths: list[tuple], chance: random.Random) -> object:
    """Replace, remove or repeat some nodes."""
    tree = copy.deepcopy(tree)
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        *way, last = chance.choice(paths[1:])
        node = tree
        try:
            for step in way:
                node = node[step]
            match chance.randrange(4):
                case 0:
                    del node[last]
                case 1 if isinstance(node, list):
                    node.insert(last, copy.deepcopy(node[last]))
                case 2 if isinstance(node, dict):
                    node[str(chance.choice(NASTY))[:20]] = node.pop(last)
                case _:
                    node[last] = copy.deepcopy(chance.choice(NASTY))
        except (KeyError, IndexError, TypeError):
            continue  # an earlier damage took the way there
    return tree


def scramble(text: str, bits: list[str], chance: random.Random) -> str:
    """Cut out, repeat, or put something in the way."""
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(text) + 1)
        to = min(len(text), at + chance.choice((0, 1, 3, 40)))
        text = text[:at] + chance.choice((*bits, text[at:to] * 2, "")) + text[to:]
    return text
