"""Units as the services spell them, and what they are in ours."""

from __future__ import annotations

from collections.abc import Mapping

from stormplan import units

HPA_PER_INHG = 33.86389  # NIST SP 811, table B.8: conventional inch of mercury

#: ``inside = factor * given + offset`` by kind and unit, in the spelling of the WMO's code list.
UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "temperature": {"degC": (1, 0), "degF": (1 / 1.8, -32 / 1.8), "K": (1, -273.15)},
    "percent": {"percent": (1, 0)},
    "fraction": {"percent": (0.01, 0), "1": (1, 0)},
    "speed": {
        "m_s-1": (1, 0),
        "km_h-1": (1 / 3.6, 0),
        "kt": (1852 / 3600, 0),
        "mi_h-1": (units.M_PER_MI / 3600, 0),
    },
    "pressure": {"Pa": (0.01, 0), "hPa": (1, 0), "inHg": (HPA_PER_INHG, 0)},
    "length": {"m": (1, 0), "km": (1000, 0), "ft": (units.M_PER_FT, 0)},
    "depth mm": {"mm": (1, 0), "cm": (10, 0), "m": (1000, 0), "in": (1000 * units.M_PER_IN, 0)},
    "depth cm": {"mm": (0.1, 0), "cm": (1, 0), "m": (100, 0), "in": (100 * units.M_PER_IN, 0)},
    "flux": {"W_m-2": (1, 0)},
    "code": {"code": (1, 0)},
}
#: The same units as other services spell them.
SPELLINGS: Mapping[str, str] = {
    "celsius": "degC",
    "°C": "degC",
    "°F": "degF",
    "%": "percent",
    "m/s": "m_s-1",
    "km/h": "km_h-1",
    "mp/h": "mi_h-1",
    "kn": "kt",
    "inch": "in",
    "W/m²": "W_m-2",
    "wmo code": "code",
}


def conversion(spelling: object, kind: str) -> tuple[float, float] | None:
    """Return factor and offset to the internal unit.

    Parameters
    ----------
    spelling : object
        The unit as the source has it, in any known spelling.
    kind : str
        A key of ``UNITS``.

    Returns
    -------
    (float, float) or None
        None where the unit is not known, or not of this kind.
    """
    spelled = str(spelling)
    return UNITS[kind].get(SPELLINGS.get(spelled, spelled))
