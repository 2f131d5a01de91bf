"""A setting that seems typed wrong as a whole, as a sentence that asks for it and a question to the paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from waywright.core.evidence.findings import Report, Slip
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.lying import Lying
from waywright.core.evidence.where import line
from waywright.views.numbers import Shown, listed

LIES = {"over": "marks together", "end for end": "marks opposite"}
UNITS = {"mm": "millimetres", "in": "inches", "µm": "micrometres", "thou": "thou"}
ONE_OF = "One of these fits; the paper tells which."


@dataclass(frozen=True)
class SlipLine:
    """One of the ways in which a setting may have been typed wrong: the sentence, and what says yes to it."""

    setting: str
    slip: str
    words: str
    button: str = "It was: change it"


def slip_lines(report: Report, shown: Shown) -> tuple[SlipLine, ...]:
    """The setting that seems typed wrong; several where it is one of these."""
    typed = {setting.id: setting for setting in report.job.settings}
    return tuple(SlipLine(s.setting, s.name, slip_words(s, typed[s.setting], shown)) for s in report.fit.slips)


def slip_words(slip: Slip, typed: Setting, shown: Shown) -> str:
    """ "Rowan on Alder fits if it lay marks opposite: was it?" """
    kind = typed.geometry
    name = f"{kind.lying.upper} on {kind.lying.lower}" if slip.slip == "turn" and kind.lying else kind.words(shown)
    comma = "," if "," in name else ""
    fits = "fits" if kind.lying is not None else "would fit"
    return f"{name[:1].upper()}{name[1:]}{comma} {fits} if {_if(slip, typed, shown)}: was it?"


def question(slips: Sequence[Slip], job: Job, shown: Shown) -> str:
    """ "did Rowan lie marks opposite", or several of these."""
    typed = {setting.id: setting for setting in job.settings}
    asked = [_ask(slip, typed[slip.setting], shown) for slip in slips]
    return ", or ".join(asked)


def _if(slip: Slip, typed: Setting, shown: Shown) -> str:
    match slip.slip:
        case "turn":
            return f"it lay {LIES[_lying(slip.meant[0]).turn]}"
        case "offset sign":
            return f"it was moved {_moved(slip.meant[0], shown)}"
        case "wrong end":
            return f"its places{_on_line(slip, typed, shown)} were counted from the far end{_turned(slip, typed)}"
        case "unit":
            return f"it was read in {UNITS[_units(slip)[1]]}, not {UNITS[_units(slip)[0]]}"
        case "block":
            return f"a block in every stack was {_off(slip, shown)} than typed"
        case "level turned":
            return "the level stood the other way round"


def _ask(slip: Slip, typed: Setting, shown: Shown) -> str:
    words = typed.geometry.words(shown)
    words += "," if "," in words else ""
    match slip.slip:
        case "turn":
            return f"did {_lying(typed).upper} lie {LIES[_lying(slip.meant[0]).turn]} on {_lying(typed).lower}"
        case "offset sign":
            lies = _lying(typed)
            return f"was {lies.upper} moved {_moved(slip.meant[0], shown)} on {lies.lower}, not {_moved(typed, shown)}"
        case "wrong end":
            at = _on_line(slip, typed, shown)
            return f"were the places of {words}{at} counted from the far end{_turned(slip, typed)}"
        case "unit":
            return f"was {words} read in {UNITS[_units(slip)[1]]}, not {UNITS[_units(slip)[0]]}"
        case "block":
            return f"was a block {_off(slip, shown)} than typed in every stack of {words.rstrip(',')}"
        case "level turned":
            return f"did the level stand the other way round for {words.rstrip(',')}"


def _on_line(slip: Slip, typed: Setting, shown: Shown) -> str:
    """Which line of several, where the setting reads them all."""
    if slip.y_mm is None or typed.geometry.lying is None:
        return ""
    return f" on {line(slip.y_mm, shown)}"


def _turned(slip: Slip, typed: Setting) -> str:
    """Where the level that was stepped from the far end stood the other way round as well."""
    was = {r.id: r.value for r in typed.readings}
    turned = any(r.id in was and r.value != was[r.id] for s in slip.meant for r in s.readings)
    return ", the level the other way round" if turned else ""


def _lying(setting: Setting) -> Lying:
    assert setting.geometry.lying is not None
    return setting.geometry.lying


def _units(slip: Slip) -> tuple[str, str]:
    assert slip.units is not None
    return slip.units


def _moved(setting: Setting, shown: Shown) -> str:
    """Where it lay: "-100 mm", "+100 mm along and -20 mm across"."""
    lies = _lying(setting)
    parts = ((lies.offset_mm, "along"), (lies.offset_y_mm, "across"))
    told = [(f"{'+' if mm > 0 else ''}{shown.text(mm, 'mm')}", way) for mm, way in parts if mm]
    return told[0][0] if len(told) == 1 and told[0][1] == "along" else listed([f"{mm} {way}" for mm, way in told])


def _off(slip: Slip, shown: Shown) -> str:
    assert slip.off_um is not None
    return f"{shown.height_text(abs(slip.off_um))} {'smaller' if slip.off_um > 0 else 'larger'}"
