"""Reads the sites file: YAML 1.2 text to records, every error at once with its line.

What ``yaml_records`` does for any file, and what holds for this one: an unknown key is answered
with its present name where it has been renamed, names refer to entries that exist, rules agree with
each other, and no secret stands in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from ruamel.yaml.comments import CommentedMap

from stormplan.company import policy, sites
from stormplan.company.drive_times import parse_drive_times
from stormplan.company.places import place_questions
from stormplan.company.policy import SitePolicy, SurfacePolicy
from stormplan.company.practice_rules import Practice
from stormplan.company.renamed_keys import REMOVED_KEYS, RENAMED_KEYS
from stormplan.company.sites import Sites
from stormplan.company.validators import Record
from stormplan.company.yaml_records import (
    FileKind,
    KeyPath,
    aliases,
    describe_problem,
    dotted_path,
    line_of,
    read_tree,
    record_at,
    suggestion,
    to_plain,
)
from stormplan.errors import InputError, Problem, SitesError
from stormplan.units import UnitFormatter

SITES_FILE_KIND = FileKind("sites file", Sites, SitesError)

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
    tree = read_tree(_read_text(path), path.name, SITES_FILE_KIND)
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
        Places and files to ask about, in file order.

    Raises
    ------
    InputError, SitesError
        As ``load_sites``.
    """
    tree = read_tree(_read_text(path), path.name, SITES_FILE_KIND)
    sites_read = _with_drive_times(_validate(tree, path.name), tree, path)
    asked = [
        Problem(path.name, line_of(tree, place), f"{dotted_path(place)}: {question}")
        for place, question in (
            *place_questions(sites_read),
            *_missing_files(sites_read, path.parent),
        )
    ]
    return sites_read, sorted(asked, key=lambda problem: problem.line)


def parse_sites(text: str, name: str = "sites.yaml") -> Sites:
    """Read the text of a sites file; ``name`` is what problems are reported under."""
    return _validate(read_tree(text, name, SITES_FILE_KIND), name)


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")  # some editors begin a file with a mark
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot read the sites file {path}: {error}") from error


def _missing_files(sites_read: Sites, folder: Path) -> Iterator[tuple[KeyPath, str]]:
    """Yield the forecast files that a sites file names and that are not there."""
    weather = sites_read.weather
    if "table" in weather.sources:
        for site, table in weather.tables.items():
            if not (folder / table).is_file():
                yield ("weather", "tables", site), f"there is no file {table} beside this file"
    if "recorded" in weather.sources and not (folder / str(weather.recorded)).is_dir():
        yield ("weather", "recorded"), f"there is no folder {weather.recorded} beside this file"


def _with_drive_times(sites_read: Sites, tree: CommentedMap, path: Path) -> Sites:
    """Return the sites with the table of driving minutes that the file names."""
    if sites_read.drive_times is None:
        return sites_read
    table = path.parent / sites_read.drive_times
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        message = f"drive_times: cannot read {table.name}: {error}"
        raise SitesError([Problem(path.name, line_of(tree, ("drive_times",)), message)]) from error
    places = (*sites_read.yards, *sites_read.sites)
    return sites_read.with_drive_minutes(parse_drive_times(text, table.name, places))


def _validate(tree: CommentedMap, name: str) -> Sites:
    problems = [
        Problem(name, line_of(tree, place), f"{dotted_path(place)}: {message}")
        for place, message in (*_broken_references(tree), *_secrets(tree, ()))
    ]
    sites_read = None
    try:
        sites_read = Sites.model_validate(to_plain(tree))
    except ValidationError as error:
        details = [dict(detail) for detail in error.errors(include_url=False)]
        renamed = {place for detail in details if (place := _place_of_present_key(detail))}
        problems += [
            describe_problem(detail, tree, name, _unknown_key_message)
            for detail in details
            if not (detail["type"] == "missing" and detail["loc"] in renamed)
        ]
    if sites_read is not None:
        problems += [
            Problem(name, line_of(tree, place), f"{dotted_path(place)}: {message}")
            for place, message in (*_policy_conflicts(sites_read), *_price_conflicts(sites_read))
        ]
    if problems or sites_read is None:
        raise SitesError(list(dict.fromkeys(problems)))
    return sites_read


def _unknown_key_message(detail: dict[str, Any], key: str) -> str:
    """Say what an unknown key is called now, where it belongs, or which known one is nearest."""
    present = _place_of_present_key(detail)
    if present is not None:
        return f"unknown key '{key}'; it is now called '{present[-1]}'"
    model = record_at(detail["loc"][:-1], Sites)
    if key in REMOVED_KEYS.get(model.__name__, {}):
        return f"there is no key '{key}' any more; {REMOVED_KEYS[model.__name__][key]}"
    if model in (SitePolicy, SurfacePolicy) and (remedy := policy.scope_remedy(key)):
        return remedy
    return f"unknown key '{key}'; {suggestion(key, aliases(model))}"


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


def _place_of_present_key(detail: dict[str, Any]) -> KeyPath | None:
    """Return where a former key has to stand by its present name; None for any other problem."""
    if detail["type"] != "extra_forbidden":
        return None
    *above, key = detail["loc"]
    present = RENAMED_KEYS.get(record_at(tuple(above), Sites).__name__, {}).get(str(key))
    return None if present is None else (*above, present)


def _broken_references(tree: CommentedMap) -> list[tuple[KeyPath, str]]:
    return [
        (place, f"no {kind} '{key}'; {suggestion(key, list(known))}")
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
