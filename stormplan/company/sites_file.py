"""Reads the sites file: YAML 1.2 text to records, every error at once with its line.

``province: ON`` stays text, ``17:30`` stays a time, a key given twice is an error. Each problem
says where it stands, what was written and what would be accepted; an unknown key is answered with
its present name where it has been renamed, else with the nearest known one.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, Discriminator, Tag, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.constructor import DuplicateKeyError
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionEndEvent,
    CollectionStartEvent,
    ScalarEvent,
)

from stormplan.company import policy, sites
from stormplan.company.drive_times import parse_drive_times
from stormplan.company.places import place_questions
from stormplan.company.policy import SitePolicy, SurfacePolicy
from stormplan.company.practice_rules import Practice
from stormplan.company.renamed_keys import REMOVED_KEYS, RENAMED_KEYS
from stormplan.company.sites import Sites
from stormplan.company.validators import Record
from stormplan.errors import InputError, Problem, SitesError
from stormplan.units import UnitFormatter

KeyPath = tuple[str | int, ...]

MAX_LENGTH = 20_000_000  # characters; 3,000 sites are some 2 million
MAX_NODES = 500_000  # keys and values, aliases written out
MAX_SUGGESTIONS = 15  # accepted words in one message
SECRET_WORDS = ("password", "passwd", "secret", "api_key", "apikey", "token")
SECRET_REFERENCE_SUFFIXES = ("_env", "_file")  # keys that say where a secret is, not what it is


def load_sites(path: Path) -> Sites:
    """Read a sites file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Sites
        Every record in it, in SI.

    Raises
    ------
    InputError
        The file cannot be opened.
    SitesError
        It can, but something in it is wrong; carries every problem found.
    """
    tree = _tree(_read_text(path), path.name)
    return _with_drive_times(_validate(tree, path.name), tree, path)


def load_with_questions(path: Path) -> tuple[Sites, list[Problem]]:
    """Read a sites file, and list what in it can be right but hardly is.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Sites
        Every record in it, in SI.
    list of Problem
        Places to ask about, in file order.

    Raises
    ------
    InputError, SitesError
        As ``load_sites``.
    """
    tree = _tree(_read_text(path), path.name)
    sites_read = _with_drive_times(_validate(tree, path.name), tree, path)
    asked = [
        Problem(path.name, _line_of(tree, place), f"{_dotted_path(place)}: {question}")
        for place, question in place_questions(sites_read)
    ]
    return sites_read, sorted(asked, key=lambda problem: problem.line)


def parse_sites(text: str, name: str = "sites.yaml") -> Sites:
    """Read the text of a sites file; ``name`` is what problems are reported under."""
    return _validate(_tree(text, name), name)


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")  # some editors begin a file with a mark
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot read the sites file {path}: {error}") from error


def _with_drive_times(sites_read: Sites, tree: CommentedMap, path: Path) -> Sites:
    """Return the sites with the table of driving minutes that the file names."""
    if sites_read.drive_times is None:
        return sites_read
    table = path.parent / sites_read.drive_times
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        message = f"drive_times: cannot read {table.name}: {error}"
        raise SitesError([Problem(path.name, _line_of(tree, ("drive_times",)), message)]) from error
    places = (*sites_read.yards, *sites_read.sites)
    return sites_read.with_drive_minutes(parse_drive_times(text, table.name, places))


def _validate(tree: CommentedMap, name: str) -> Sites:
    problems = [
        Problem(name, _line_of(tree, place), f"{_dotted_path(place)}: {message}")
        for place, message in (*_broken_references(tree), *_secrets(tree, ()))
    ]
    sites_read = None
    try:
        sites_read = Sites.model_validate(_plain(tree))
    except ValidationError as error:
        details = [dict(detail) for detail in error.errors(include_url=False)]
        renamed = {place for detail in details if (place := _place_of_present_key(detail))}
        problems += [
            _problem(detail, tree, name)
            for detail in details
            if not (detail["type"] == "missing" and detail["loc"] in renamed)
        ]
    if sites_read is not None:
        problems += [
            Problem(name, _line_of(tree, place), f"{_dotted_path(place)}: {message}")
            for place, message in (*_policy_conflicts(sites_read), *_price_conflicts(sites_read))
        ]
    if problems or sites_read is None:
        raise SitesError(problems)
    return sites_read


def _tree(text: str, name: str) -> CommentedMap:
    if len(text) > MAX_LENGTH:
        message = f"the file has {len(text):,} characters; accepted: up to {MAX_LENGTH:,}"
        raise SitesError([Problem(name, 1, message)])
    try:
        _check_expanded_size(text, name)
        tree = YAML(typ="rt").load(text)
    except DuplicateKeyError as error:
        line = error.problem_mark.line + 1
        first = str(error.problem).split(" with value")[0].removeprefix("found duplicate key ")
        raise SitesError([Problem(name, line, f"key {first} is given twice; keep one")]) from error
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        message = f"not readable as YAML: {error.problem or error.context}"
        raise SitesError([Problem(name, line, message)]) from error
    except (YAMLError, ValueError, TypeError) as error:  # a list as a key, a date that is none
        raise SitesError([Problem(name, 1, f"not readable as YAML: {error}")]) from error
    except RecursionError as error:
        raise SitesError([Problem(name, 1, "nested too deeply to be a sites file")]) from error
    if not isinstance(tree, CommentedMap):
        keys = ", ".join(_aliases(Sites))
        raise SitesError([Problem(name, 1, f"the file must be a mapping with the keys {keys}")])
    return tree


def _check_expanded_size(text: str, name: str) -> None:
    """Refuse a file whose aliases stand for more than a sites file can hold.

    Raises
    ------
    SitesError
        Names the line at which it becomes too much.
    """
    if "*" not in text:
        return
    counts = [0]  # nodes of each collection that is open
    anchors: list[str | None] = []
    known: dict[str | None, int] = {}
    for event in YAML(typ="rt").parse(text):
        anchor = getattr(event, "anchor", None)
        if isinstance(event, CollectionStartEvent):
            counts.append(1)
            anchors.append(anchor)
        elif isinstance(event, CollectionEndEvent):
            size = counts.pop()
            known[anchors.pop()] = size
            counts[-1] += size
        elif isinstance(event, AliasEvent):
            counts[-1] += known.get(anchor, 1)
        elif isinstance(event, ScalarEvent):
            known[anchor] = 1
            counts[-1] += 1
        if counts[-1] > MAX_NODES:
            message = f"its aliases (*) stand for more than {MAX_NODES:,} entries; write them out"
            raise SitesError([Problem(name, event.start_mark.line + 1, message)])


def _plain(node: object) -> object:
    """Strip the position keeping from what ruamel read."""
    if isinstance(node, Mapping):
        return {key: _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value) for value in node]
    return node


def _line_of(tree: object, key_path: KeyPath) -> int:
    """Line of the deepest part of a place that the file has, from 1."""
    line, node = 1, tree
    for step in key_path:
        if isinstance(node, CommentedMap) and step in node:
            line = node.lc.key(step)[0] + 1
        elif isinstance(node, CommentedSeq) and isinstance(step, int) and step < len(node):
            line = node.lc.item(step)[0] + 1
        else:
            break
        node = node[step]
    return line


def _dotted_path(key_path: KeyPath) -> str:
    return ".".join(str(step) for step in key_path)


def _path_in_file(key_path: KeyPath, tree: object) -> KeyPath:
    """Return a place without the steps pydantic adds (union tags, '[key]')."""
    steps_in_file: list[str | int] = []
    node = tree
    for index, step in enumerate(key_path):
        if step == "[key]":
            continue
        last = index == len(key_path) - 1
        if isinstance(node, Mapping):
            if step in node or last:
                steps_in_file.append(step)
                node = node.get(step)
        elif isinstance(node, list) and isinstance(step, int) and step < len(node):
            steps_in_file.append(step)
            node = node[step]
    return tuple(steps_in_file)


def _problem(detail: dict[str, Any], tree: CommentedMap, name: str) -> Problem:
    place = _path_in_file(detail["loc"], tree)
    match detail["type"]:
        case "extra_forbidden":
            message = _unknown_key_message(detail, str(place[-1]))
            return Problem(
                name, _line_of(tree, place), f"{_dotted_path(place[:-1]) or 'top'}: {message}"
            )
        case "missing":
            message = f"'{place[-1]}' is missing"
            return Problem(
                name, _line_of(tree, place[:-1]), f"{_dotted_path(place[:-1]) or 'top'}: {message}"
            )
        case "value_error":
            message = str(detail["ctx"]["error"])
        case _:
            value = detail["input"]
            shown = "" if isinstance(value, (Mapping, list)) else f"'{value}': "
            message = f"{shown}{detail['msg'].lower()}"
    return Problem(name, _line_of(tree, place), f"{_dotted_path(place)}: {message}")


def _unknown_key_message(detail: dict[str, Any], key: str) -> str:
    """Say what an unknown key is called now, where it belongs, or which known one is nearest."""
    present = _place_of_present_key(detail)
    if present is not None:
        return f"unknown key '{key}'; it is now called '{present[-1]}'"
    model = _model_at(detail["loc"][:-1])
    if key in REMOVED_KEYS.get(model.__name__, {}):
        return f"there is no key '{key}' any more; {REMOVED_KEYS[model.__name__][key]}"
    if model in (SitePolicy, SurfacePolicy) and (remedy := policy.scope_remedy(key)):
        return remedy
    return f"unknown key '{key}'; {_suggestion(key, _aliases(model))}"


def _policy_conflicts(sites_read: Sites) -> list[tuple[KeyPath, str]]:
    """List rules that contradict each other, at every level that sets one of them."""
    units = UnitFormatter(sites_read.company.units)
    levels: list[tuple[KeyPath, Record, Practice]] = [
        (("policy",), sites_read.policy, sites_read.practice())
    ]
    for key, site in sites_read.sites.items():
        place: KeyPath = ("sites", key)
        levels.append(((*place, "policy"), site.policy, sites_read.practice(site)))
        levels += [
            (
                (*place, "surfaces", name, "policy"),
                surface.policy,
                sites_read.practice(site, surface),
            )
            for name, surface in site.surfaces.items()
        ]
    return [
        ((*place, key), message)
        for place, given, practice in levels
        for key, message in policy.conflicts(policy.given_rules(given), practice, units)
    ]


def _price_conflicts(sites_read: Sites) -> list[tuple[KeyPath, str]]:
    """List what costs less at once than when it is ordered ahead: then nobody would order."""
    prices: list[tuple[KeyPath, float | None, float | None]] = []
    for key, yard in sites_read.yards.items():
        place: KeyPath = ("yards", key, "supply")
        if yard.supply.salt is not None:
            at_once = yard.supply.salt.emergency_price_per_kg
            prices.append(((*place, "salt"), yard.salt.price_per_kg, at_once))
        for product, supply in yard.supply.products.items():
            entry = sites_read.purchased_products.get(product)
            ahead = None if entry is None else entry.price_per_l
            prices.append(((*place, "products", product), ahead, supply.emergency_price_per_l))
    return [
        ((*place, "emergency_price"), "is not above 'price'; accepted: what it costs at once")
        for place, ahead, at_once in prices
        if ahead is not None and at_once is not None and at_once <= ahead
    ]


def _aliases(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _place_of_present_key(detail: dict[str, Any]) -> KeyPath | None:
    """Return where a former key has to stand by its present name; None for any other problem."""
    if detail["type"] != "extra_forbidden":
        return None
    *above, key = detail["loc"]
    present = RENAMED_KEYS.get(_model_at(tuple(above)).__name__, {}).get(str(key))
    return None if present is None else (*above, present)


def _suggestion(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if near:
        return f"did you mean '{near[0]}'?"
    more = f" and {len(known) - MAX_SUGGESTIONS} more" if len(known) > MAX_SUGGESTIONS else ""
    return f"accepted: {', '.join(known[:MAX_SUGGESTIONS])}{more}"


def _model_at(key_path: KeyPath) -> type[BaseModel]:
    """Find the record that describes a place of the file."""
    annotation: object = Sites
    for step in key_path:
        annotation = _annotation_below(annotation, step)
    model = _record(annotation)
    if model is None:
        raise LookupError(f"no record describes {_dotted_path(key_path)}")
    return model


def _annotation_below(annotation: object, step: str | int) -> object:
    """Describe what stands one step below: a field, an element, the branch with a tag; or None."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        kind, *notes = inner
        if any(isinstance(note, Discriminator) for note in notes):
            return next((branch for branch in get_args(kind) if _tag(branch) == step), None)
        return _annotation_below(kind, step)
    if origin in (Union, UnionType):
        return next(
            (found for kind in inner if (found := _annotation_below(kind, step)) is not None), None
        )
    if origin in (dict, list, tuple):
        return inner[1] if origin is dict else inner[0]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        fields = annotation.model_fields.items()
        return next((f.annotation for name, f in fields if step in (name, f.alias)), None)
    return None


def _tag(branch: object) -> str | None:
    return next((note.tag for note in get_args(branch)[1:] if isinstance(note, Tag)), None)


def _record(annotation: object) -> type[BaseModel] | None:
    """Unwrap a record that is optional or annotated; None if it is something else."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Annotated, Union, UnionType):
        return next((found for kind in get_args(annotation) if (found := _record(kind))), None)
    return None


def _broken_references(tree: CommentedMap) -> list[tuple[KeyPath, str]]:
    return [
        (place, f"no {kind} '{key}'; {_suggestion(key, list(known))}")
        for place, kind, key, known in sites.references(tree)
        if key not in known
    ]


def _secrets(node: object, key_path: KeyPath) -> list[tuple[KeyPath, str]]:
    """List secrets in the file: it is mailed around and kept in version control."""
    secrets: list[tuple[KeyPath, str]] = []
    if isinstance(node, Mapping):
        for key, value in node.items():
            here = (*key_path, key)
            name = str(key).lower()
            if any(word in name for word in SECRET_WORDS) and not name.endswith(
                SECRET_REFERENCE_SUFFIXES
            ):
                secrets.append(
                    (here, "secrets do not belong in the sites file; name an environment variable")
                )
            secrets += _secrets(value, here)
    return secrets
