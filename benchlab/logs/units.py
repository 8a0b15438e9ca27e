"""The closed table of unit spellings that are accepted in headers, and their factors to the canonical units."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from benchlab.quantities import unit_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """canonical = factor x logged + offset."""

    canonical: str
    factor: float
    offset: float = 0.0


def _u(canonical: str, factor: float, spellings: str, offset: float = 0.0) -> dict[str, Unit]:
    return {s: Unit(canonical=canonical, factor=factor, offset=offset) for s in spellings.split("|")}


_PSI = 6.894757293168361  # kPa, from the pound (0.45359237 kg), inch (25.4 mm) and 9.80665 m/s2
_MMHG = 0.133322387415  # kPa, conventional (13.5951 g/cm3 x 9.80665 m/s2)
_MMH2O = 0.00980665  # kPa, conventional water of 1000 kg/m3

# Case counts where it tells units apart (mA is not MA); only listed spellings are accepted.
TABLE: dict[str, dict[str, Unit]] = {
    "s": {
        **_u("s", 1, "s|S|sec|Sec|SEC|secs|second|seconds|Second|Seconds|sek|Sek|Sekunden|sekunden|s."),
        **_u("s", 1e-3, "ms|msec|msecs|millis|milliseconds|millisecond|Milliseconds|mSec|msek|MS"),
        **_u("s", 1e-6, "us|µs|μs|usec|usecs|micros|microseconds|microsecond|Microseconds|uS"),
        **_u("s", 1e-9, "ns|nsec|nanoseconds|nanosecond"),
        **_u("s", 60, "min|mins|minute|minutes|Min|Minutes"),
        **_u("s", 3600, "h|hr|hrs|hour|hours|Hours|Std|std"),
        **_u("s", 86400, "d|day|days|Days"),
    },
    "us": {
        **_u("us", 1, "us|µs|μs|usec|micros|microseconds|microsecond|uS|US"),
        **_u("us", 1e3, "ms|msec|millis|milliseconds|millisecond"),
        **_u("us", 1e6, "s|sec|seconds"),
        **_u("us", 1e-3, "ns|nsec|nanoseconds"),
    },
    "A": {
        **_u("A", 1, "A|a|amp|amps|Amp|Amps|AMP|AMPS|ampere|amperes|Ampere|Amperes|ADC|Adc|A DC"),
        **_u("A", 1e-3, "mA|ma|milliamp|milliamps|milliampere|milliamperes|mAmp|mAmps|mADC"),
        **_u("A", 1e-6, "uA|µA|μA|ua|microamps|microampere|microamperes"),
    },
    "V": {
        **_u("V", 1, "V|v|volt|volts|Volt|Volts|VOLT|VOLTS|VDC|Vdc|V DC"),
        **_u("V", 1e-3, "mV|mv|millivolt|millivolts|mVDC"),
        **_u("V", 1e-6, "uV|µV|μV|microvolts"),
    },
    "deg": {
        **_u("deg", 1, "deg|Deg|DEG|degs|degree|degrees|Degree|Degrees|°|º|grad|Grad"),
        **_u("deg", 180 / 3.141592653589793, "rad|Rad|radian|radians|Radians"),
        **_u("deg", 180e-3 / 3.141592653589793, "mrad|milliradians"),
        **_u("deg", 360, "turn|turns|rev"),
        **_u("deg", 1 / 60, "arcmin"),
    },
    "kPa": {
        **_u("kPa", 1, "kPa|kpa|KPA|KPa|kilopascal|kilopascals"),
        **_u("kPa", 1e-3, "Pa|pa|pascal|pascals|Pascal"),
        **_u("kPa", 0.1, "hPa|hpa|HPA|hectopascal|hectopascals|mbar|mBar|mb|millibar|millibars|Millibar"),
        **_u("kPa", 1e3, "MPa|megapascal|megapascals"),
        **_u("kPa", 100, "bar|Bar|BAR|bars"),
        **_u("kPa", _PSI, "psi|PSI|Psi|psig|PSIG|psia|PSIA|lbf/in2|lbf/in²"),
        **_u("kPa", 101.325, "atm"),
        **_u("kPa", 101.325 / 760, "torr|Torr"),
        **_u("kPa", _MMHG, "mmHg|mmhg|mm Hg"),
        **_u("kPa", 25.4 * _MMHG, "inHg|inhg|in Hg"),
        **_u("kPa", _MMH2O, "mmH2O|mmh2o|mm H2O|mmWC|mmWS"),
        **_u("kPa", 10 * _MMH2O, "cmH2O|cmh2o|cm H2O|cmWC|cmWS"),
        **_u("kPa", 25.4 * _MMH2O, "inH2O|inh2o|in H2O|inWC|in WC"),
    },
    "C": {
        **_u(
            "C", 1, "C|c|°C|°c|ºC|℃|degC|degc|deg C|deg. C|deg_C|Deg C|DegC|DEGC|celsius|Celsius|degrees C|Grad C|oC|'C"
        ),
        **_u("C", 1, "K|k|kelvin|Kelvin|degK|°K", offset=-273.15),
        **_u("C", 5 / 9, "F|f|°F|ºF|℉|degF|degf|deg F|Deg F|fahrenheit|Fahrenheit|degrees F", offset=-160 / 9),
    },
    "1": _u("1", 1, "1|-|count|counts|#|n|no|no."),
}

_OTHER = frozenset(
    "% %rh %rF Hz kHz MHz rpm RPM 1/min W mW kW Wh mWh kWh Ah mAh ohm Ohm ohms mOhm Ω mΩ kΩ m mm cm µm um km m/s km/h "  # noqa: SIM905
    "mph m/s2 m/s^2 g kg N kN mN Nm N.m kg.cm kgcm lux lx W/m2 W/m^2 W/m² l L ml mL l/min L/min ml/min sccm dB dBm "
    "ppm V/V counts cts ADC raw bit bits LSB T mT G gauss deg/s °/s rad/s dps unit units string text bool int float "
    "TS RN smp hh:mm:ss yyyy-mm-dd dd/mm/yyyy mm/dd/yyyy m3 m^3 m³ kg/m3 mm/h mS/cm uS/cm µS/cm pH NTU mg/L".split()
)
"""Units of no channel of ours, to know a units row by."""

_WRAP = re.compile(r"[\[({<]\s*(.*?)\s*[\])}>]|(.*?)")


def bare(text: str) -> str:
    """Return a unit without blanks and brackets around it."""
    match = _WRAP.fullmatch(text.strip())
    return ((match[1] if match[1] is not None else match[2]) if match else text).strip()


def looks_like_unit(text: str) -> bool:
    """Tell whether a cell of a units row is a unit: a spelling of the table or another common one."""
    unit = bare(text)
    return unit in _OTHER or unit.lower() in _OTHER or any(unit in spellings for spellings in TABLE.values())


@lru_cache(maxsize=10_000)
def known(text: str) -> bool:
    """Tell whether a spelling stands in the table, for whatever channel that has a unit."""
    return any(_spelling(text) in spellings for unit, spellings in TABLE.items() if unit != "1")


def relative(text: str, base: str) -> float | None:
    """Return how many of the unit ``base`` one of this unit is; None if they do not belong together."""
    a, b = _spelling(text), _spelling(base)
    if a == b and known(a):
        return 1.0
    for spellings in TABLE.values():
        if a in spellings and b in spellings:
            one, other = spellings[a], spellings[b]
            if one.offset == other.offset:
                return one.factor / other.factor
    return None


@lru_cache(maxsize=10_000)
def convert(channel: str, text: str) -> Unit | None:
    """Return how to convert readings in this spelling to the channel's unit, None if the unit does not fit it."""
    return TABLE.get(unit_of(channel), {}).get(_spelling(text))


def _spelling(text: str) -> str:
    """Return a unit as the table spells it: the case of a word spelled out tells nothing, that of a symbol does."""
    unit = bare(text)
    return unit.lower() if len(unit) > 5 and unit.isalpha() else unit
