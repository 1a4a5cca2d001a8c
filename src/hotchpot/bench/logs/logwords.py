"""What headings of loggers say, in the languages we know: which quantity, in which unit, and which way is positive."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a column of a log is to the bench."""

    TIME = "time"
    VOLTS = "volts"
    AMPS = "amps"
    TEMPERATURE = "temperature"
    UNIT = "unit"
    AH = "ah"


BASE = {Role.TIME: "s", Role.VOLTS: "V", Role.AMPS: "A", Role.TEMPERATURE: "°C", Role.UNIT: "", Role.AH: "Ah"}


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Words by role. Those of five letters and more also count inside longer words, as in 'Klemmenspannung'.
WORDS: dict[Role, frozenset[str]] = {
    Role.TIME: _set(
        """t time timestamp datetime date elapsed epoch unixtime uptime runtime clock seconds secs millis zeit
        zeitstempel datum uhrzeit laufzeit dauer temps heure horodatage durée tiempo fecha hora tempo orario tijd tid
        czas čas aika время 时间 時間 日時"""
    ),
    Role.VOLTS: _set(
        """v u e volt volts voltage spannung tension tensión voltaje tensão tensione spanning spänning spænding spenning
        napięcie napětí jännite напряжение 电压 電圧 vbat ubat vbatt ubatt batv vdc udc"""
    ),
    Role.AMPS: _set(
        """i a amp amps ampere amperes current strom courant intensité intensite corriente corrente stroom ström strøm
        prąd proud virta ток 电流 電流 ibat ibatt bata idc"""
    ),
    Role.TEMPERATURE: _set(
        """temp temperature temperatur température temperatura temperatuur lämpötila teplota teploty температура 温度
        tbat tbatt"""
    ),
    Role.UNIT: _set(
        """battery batteries batt bat unit cell module pack id device channel name serial sn batterie akku zelle modul
        kanal gerät accu batería bateria batteria element cellule akumulator 电池 電池"""
    ),
    Role.AH: _set("ah mah capacity kapazität capacité capacidad capacità coulombs ladung amphours amperehours"),
}
OTHER = _set(
    """power leistung puissance potencia energy energie énergie watt watts wh kwh w kw ohm ohms resistance widerstand
    impedance soc soh step cycle mode state status error flag count humidity pressure rpm speed frequency hz irradiance
    dv di dvdt ripple"""
)
LESSER = _set("max min set setpoint soll target limit std stdev ref reference sd peak grenze nominal")
LESS = _set("avg mean average mittel cell zelle module modul ambient umgebung raum room")
MORE = _set("pack battery batterie batt bat total gesamt terminal main bus klemmen summe")

_SIZES = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "k": 1e3}
UNITS: dict[Role, dict[str, tuple[str, float, float]]] = {
    Role.TIME: {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "sekunden"), ("s", 1.0, 0.0)),
        **dict.fromkeys(("ms", "msec", "millis", "milliseconds", "millisec"), ("ms", 1e-3, 0.0)),
        **dict.fromkeys(("us", "µs", "usec", "micros"), ("µs", 1e-6, 0.0)),
        "ns": ("ns", 1e-9, 0.0),
        **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten"), ("min", 60.0, 0.0)),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), ("h", 3600.0, 0.0)),
        **dict.fromkeys(("d", "day", "days", "tage"), ("days", 86400.0, 0.0)),
    },
    Role.VOLTS: {
        **{p + w: (p + "V", f, 0.0) for p, f in _SIZES.items() for w in ("v", "volt", "volts")},
        "vdc": ("V", 1.0, 0.0),
    },
    Role.AMPS: {
        **{p + w: (p + "A", f, 0.0) for p, f in _SIZES.items() for w in ("a", "amp", "amps", "ampere", "amperes")},
        "adc": ("A", 1.0, 0.0),
    },
    Role.TEMPERATURE: {
        **dict.fromkeys(("c", "°c", "degc", "celsius", "deg c", "℃"), ("°C", 1.0, 0.0)),
        **dict.fromkeys(("f", "°f", "degf", "fahrenheit", "deg f", "℉"), ("°F", 5 / 9, -160 / 9)),
        **dict.fromkeys(("k", "kelvin"), ("K", 1.0, -273.15)),
    },
    Role.AH: {p + "ah": (p + "Ah", f, 0.0) for p, f in _SIZES.items()},
    Role.UNIT: {},
}
_BRACKET = re.compile(r"(?P<base>.*?)\s*[\[(](?P<unit>[^\])]*)[\])]\s*(?P<tail>.*)", re.DOTALL)
_SLASH = re.compile(r"(?P<base>.+?)\s*/\s*(?P<unit>[^/\s]{1,5})")
_IN = re.compile(r"(?P<base>.+?)\s+in\s+(?P<unit>\S{1,8})", re.IGNORECASE)
_PARTS = re.compile(r"[^\w°%µ]+|_")
_UNIT_TAIL = re.compile(r"(?<=[a-zäöüß]{2})(?=(?:[mu]?[VA]|[mk]?Ah|[CFW])$)")
_HUMP = re.compile(r"(?<=[a-zäöüß])(?=[A-Z][a-zäöü])")
_OUT = re.compile(r"dis-?charg|entlad|décharg|decharg|descarg|scaric")
_IN_WORD = re.compile(r"charg|\blade|ladestrom|carga|carica")


@dataclass(frozen=True, slots=True)
class Wording:
    """What a heading says: its words, the unit text in it ('' where silent), and whether the unit is in brackets."""

    text: str
    words: tuple[str, ...]
    unit: str

    @property
    def base(self) -> str:
        """The heading's words without its unit."""
        return " ".join(self.words)


def wording(heading: str) -> Wording:
    """
    Return what a heading says.

    >>> wording("Spannung [mV]"), wording("t_s").unit, wording("U/V").words
    (Wording(text='Spannung [mV]', words=('spannung',), unit='mv'), 's', ('u',))
    """
    text = unicodedata.normalize("NFKC", heading).replace("μ", "µ").strip()
    if any_unit(text):
        return Wording(heading, (text.casefold(),), text.casefold())
    for form in (_BRACKET, _IN, _SLASH):
        match = form.fullmatch(text)
        if match and (form is _BRACKET or any_unit(match["unit"])):
            tail = match.groupdict().get("tail") or ""
            words = _words(f"{match['base']} {tail}")
            unit = match["unit"].strip().casefold()
            return Wording(heading, words, unit) if any_unit(unit) else Wording(heading, (*words, *_words(unit)), "")
    words = _words(text)
    if len(words) > 1 and any_unit(words[-1]):
        return Wording(heading, words[:-1], words[-1])
    return Wording(heading, words, "")


def any_unit(text: str) -> bool:
    """Return whether a text is a unit of any role."""
    return any(text.strip().casefold() in units for units in UNITS.values())


def unit_of(role: Role, text: str) -> tuple[str, float, float] | None:
    """
    Return a unit's name, factor and offset for a role, or None when it is none of that role's.

    >>> unit_of(Role.VOLTS, "mV"), unit_of(Role.VOLTS, "A")
    (('mV', 0.001, 0.0), None)
    """
    return UNITS[role].get(unicodedata.normalize("NFKC", text).replace("μ", "µ").strip().casefold())


def word_of(role: Role, words: tuple[str, ...]) -> str:
    """Return the word by which a heading names a role, '' where none does."""
    for word in words:
        bare = word.rstrip("0123456789")
        for known in WORDS[role]:
            if bare == known or (len(known) >= 5 and known in bare):
                return word
    return ""


def way_of(heading: str) -> int:
    """Return +1 where a heading says that current is that of discharge, -1 of charge, 0 where it says neither."""
    text = heading.casefold()
    out, into = bool(_OUT.search(text)), bool(_IN_WORD.search(_OUT.sub("", text)))
    return int(out) - int(into)


def _words(text: str) -> tuple[str, ...]:
    humps = " ".join(_HUMP.sub(" ", _UNIT_TAIL.sub(" ", part, count=1)) for part in _PARTS.split(text))
    return tuple(word.casefold() for word in humps.split())
