"""When practice plows or shovels: at the trigger, and once more when enough is left at the end."""

from __future__ import annotations

from collections.abc import Sequence

from stormplan.company.practice_rules import Practice


def plow_trigger_cm(practice: Practice, is_pedestrian: bool) -> float:
    """Return the depth of new snow that triggers plowing or shoveling [cm]."""
    rule = "plow_trigger_pedestrian" if is_pedestrian else "plow_trigger_vehicle"
    return 100.0 * practice.number(rule)


def plow_hours(
    snowfall_cm: Sequence[float],
    trigger_cm: float,
    final_pass_cm: float,
    lying_cm: float = 0.0,
) -> tuple[int, ...]:
    """Return the hours at whose start a surface is plowed.

    Parameters
    ----------
    snowfall_cm : sequence of float
        New snow and sleet in each hour; NaN counts as none [cm].
    trigger_cm : float
        Depth since the last pass that brings the plow [cm].
    final_pass_cm : float
        Depth that is still worth a last pass when it has stopped [cm].
    lying_cm : float
        Depth that lies there before the first hour [cm].

    Returns
    -------
    tuple of int
        The first hour where enough lies there already; after each hour in which the depth reaches
        the trigger; and after the last snow if enough of it is left.

    Examples
    --------
    >>> plow_hours([2.0, 2.0, 2.0, 0.0, 0.0], trigger_cm=5.08, final_pass_cm=0.25)
    (3,)
    >>> plow_hours([2.0, 2.0, 0.0], trigger_cm=5.08, final_pass_cm=0.25, lying_cm=6.0)
    (0, 2)
    """
    passes: list[int] = []
    depth_cm = lying_cm
    if depth_cm >= trigger_cm:
        passes.append(0)
        depth_cm = 0.0
    dry_hours = 0
    for hour, fallen in enumerate(snowfall_cm):
        new_cm = fallen if fallen > 0.0 else 0.0
        depth_cm += new_cm
        dry_hours = 0 if new_cm > 0.0 else dry_hours + 1
        if depth_cm >= trigger_cm or (dry_hours == 1 and depth_cm >= final_pass_cm):
            passes.append(hour + 1 if new_cm > 0.0 else hour)
            depth_cm = 0.0
    return tuple(dict.fromkeys(hour for hour in passes if hour < len(snowfall_cm)))
