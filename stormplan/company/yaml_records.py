"""Reads YAML 1.2 into typed records, every problem at once with its line.

``province: ON`` stays text, ``17:30`` stays a time, a key given twice is an error. Each problem
says where it stands, what was written and what would be accepted.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, Discriminator, Tag
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

from stormplan.errors import Problem, ProblemsError

KeyPath = tuple[str | int, ...]
#: Told what pydantic found wrong and a key that is not known, gives the words for it.
UnknownKeyMessage = Callable[[dict[str, Any], str], str]

MAX_LENGTH = 20_000_000  # characters; 3,000 sites are some 2 million
MAX_NODES = 500_000  # keys and values, aliases written out
MAX_SUGGESTIONS = 15  # accepted words in one message


@dataclass(frozen=True)
class FileKind:
    """A kind of file that people write.

    Attributes
    ----------
    label : str
        What people call it.
    root : type
        The record that the whole of it becomes.
    error : type
        What is raised where it cannot be used.
    """

    label: str
    root: type[BaseModel]
    error: type[ProblemsError]


def read_tree(text: str, name: str, kind: FileKind) -> CommentedMap:
    """Return the keys and values of a file with their places; ``name`` is for problems."""
    if len(text) > MAX_LENGTH:
        message = f"the file has {len(text):,} characters; accepted: up to {MAX_LENGTH:,}"
        raise kind.error([Problem(name, 1, message)])
    try:
        _check_expanded_size(text, name, kind)
        tree = YAML(typ="rt").load(text)
    except DuplicateKeyError as error:
        line = error.problem_mark.line + 1
        first = str(error.problem).split(" with value")[0].removeprefix("found duplicate key ")
        raise kind.error([Problem(name, line, f"key {first} is given twice; keep one")]) from error
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise kind.error([Problem(name, line, _yaml_message(error))]) from error
    except (YAMLError, ValueError, TypeError) as error:  # a list as a key, a date that is none
        raise kind.error([Problem(name, 1, f"not readable as YAML: {error}")]) from error
    except RecursionError as error:
        raise kind.error([Problem(name, 1, f"nested too deeply to be a {kind.label}")]) from error
    if not isinstance(tree, CommentedMap):
        keys = ", ".join(aliases(kind.root))
        raise kind.error([Problem(name, 1, f"the file must be a mapping with the keys {keys}")])
    return tree


#: What ruamel finds wrong, and what a person did.
YAML_MISTAKES = {
    "mapping values are not allowed here": "a second colon; put quotes around a value that has one",
    "found character '\\t'": "a tab; indent with spaces",
    "could not find expected ':'": "a key without its colon, or a line that is not indented as far",
    "expected <block end>": "a line that is not indented as far as the others of its block",
    "found unexpected end of stream": "a quote that is not closed",
    "expected ',' or '}'": "a { that is not closed, or a comma that is missing",
    "expected ',' or ']'": "a [ that is not closed, or a comma that is missing",
}


def _yaml_message(error: MarkedYAMLError) -> str:
    found = str(error.problem or error.context)
    mistake = next((said for start, said in YAML_MISTAKES.items() if found.startswith(start)), "")
    return f"not readable as YAML: {mistake or found}"


def _check_expanded_size(text: str, name: str, kind: FileKind) -> None:
    """Refuse a file whose aliases stand for more than such a file can hold.

    Raises
    ------
    ProblemsError
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
            raise kind.error([Problem(name, event.start_mark.line + 1, message)])


def to_plain(node: object) -> object:
    """Strip the position keeping from what ruamel read."""
    if isinstance(node, Mapping):
        return {key: to_plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [to_plain(value) for value in node]
    return node


def line_of(tree: object, key_path: KeyPath) -> int:
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


def dotted_path(key_path: KeyPath) -> str:
    """Return a place as its keys with dots between."""
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


def describe_problem(
    detail: dict[str, Any], tree: CommentedMap, name: str, unknown_key: UnknownKeyMessage
) -> Problem:
    """Return what pydantic found wrong as a sentence, with its line."""
    place = _path_in_file(detail["loc"], tree)
    match detail["type"]:
        case "extra_forbidden":
            message = unknown_key(detail, str(place[-1]))
            return Problem(
                name, line_of(tree, place), f"{dotted_path(place[:-1]) or 'top'}: {message}"
            )
        case "missing":
            message = f"'{place[-1]}' is missing"
            return Problem(
                name, line_of(tree, place[:-1]), f"{dotted_path(place[:-1]) or 'top'}: {message}"
            )
        case "value_error":
            message = str(detail["ctx"]["error"])
        case _ if detail["input"] is None:
            message = "nothing stands here; write what belongs here, or take the line out"
        case kind if kind.startswith(("date_", "datetime_")):
            message = f"'{detail['input']}' is not a date; write it as 2026-11-24"
        case _:
            value = detail["input"]
            shown = "" if isinstance(value, (Mapping, list)) else f"'{value}': "
            message = f"{shown}{detail['msg'].lower()}"
    return Problem(name, line_of(tree, place), f"{dotted_path(place) or 'top'}: {message}")


def aliases(model: type[BaseModel]) -> list[str]:
    """Return the keys of a record as they are written."""
    return [field.alias or name for name, field in model.model_fields.items()]


def suggestion(word: str, known: list[str]) -> str:
    """Return the nearest known word, or those that are accepted."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if near:
        return f"did you mean '{near[0]}'?"
    if not known:
        return "there is none in the file"
    more = f" and {len(known) - MAX_SUGGESTIONS} more" if len(known) > MAX_SUGGESTIONS else ""
    return f"accepted: {', '.join(known[:MAX_SUGGESTIONS])}{more}"


def record_at(key_path: KeyPath, root: type[BaseModel]) -> type[BaseModel]:
    """Find the record that describes a place of a file."""
    annotation: object = root
    for step in key_path:
        annotation = _annotation_below(annotation, step)
    model = _record(annotation)
    if model is None:
        raise LookupError(f"no record describes {dotted_path(key_path)}")
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
