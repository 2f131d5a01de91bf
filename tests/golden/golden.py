"""What every example and every frozen book says, number by number: kept so that moving rooms about changes none of it.

    python -m tests.golden.golden      writes the files anew; what changed and why goes into CHANGES.md

Heights, sigmas, blind spots and budgets stand here in full; words do not, so that a better sentence is no change.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from waywright.core.report import report
from waywright.demo import shop
from waywright.jobfile import loads
from waywright.views.as_json import dump, moves_json, report_json

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
# Another machine rounds blind shapes by some 1e-8; draws under the form prior differ by more.
CLOSE, DRAWN = 1e-6, 0.03
WORDS = {"words", "why", "notes", "title", "how", "reason", "prior", "cure"}


def jobs() -> Iterator[tuple[str, str]]:
    """Every job that is kept, by its name: the examples, the sample shop, the frozen books."""
    yield from ((name, shop(name)) for name in ("three_edges", "two_edges"))
    for folder in (ROOT / "docs" / "examples", ROOT / "tests" / "record" / "frozen"):
        yield from ((path.stem, path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.toml")))


def said(text: str) -> dict[str, Any]:
    """All numbers of `solve` and `next` on a job, without their words."""
    found = report(loads(text))
    whole = {**json.loads(dump(report_json(found))), **json.loads(dump(moves_json(found.moves)))}
    without = _without_words(whole)
    assert isinstance(without, dict)
    return without


def _without_words(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_words(one) for key, one in value.items() if key not in WORDS}
    if isinstance(value, list):
        return [_without_words(one) for one in value]
    return value


def differences(old: Any, new: Any, at: str = "") -> Iterator[str]:
    """Where two results differ by more than a millionth of their size, or of 1; verdicts and moves by 3 %."""
    close = DRAWN if at.startswith(("verdicts", "moves")) else CLOSE
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys((*old, *new)):
            yield from differences(old.get(key), new.get(key), f"{at}.{key}" if at else str(key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from differences(a, b, f"{at}[{i}]")
    elif isinstance(old, int | float) and isinstance(new, int | float) and not isinstance(old, bool):
        if not math.isclose(old, new, rel_tol=close, abs_tol=close):
            yield f"{at}: {old!r} is now {new!r}"
    elif old != new:
        yield f"{at}: {str(old)[:80]} is now {str(new)[:80]}"


def main() -> None:
    """Write every file anew."""
    for name, text in jobs():
        path = HERE / f"{name}.json"
        path.write_text(json.dumps(said(text), indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
