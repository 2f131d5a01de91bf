"""Draw the pictures of the documentation from the sample shop: `make pictures`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SHOP = HERE.parent / "src" / "waywright" / "shop"


def main() -> None:
    """Each sample job, as the command line draws it."""
    for name in ("three_edges", "two_edges"):
        picture = HERE / "pictures" / f"{name.replace('_', '-')}.svg"
        command = [sys.executable, "-m", "waywright", "solve", str(SHOP / f"{name}.toml"), "--picture", str(picture)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        print(f"drawn: {picture.relative_to(HERE.parent)}")


if __name__ == "__main__":
    main()
