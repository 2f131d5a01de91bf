"""Draw the pictures of the documentation from the sample shop and the examples, and bring what the examples' pages
show up to date: `make pictures`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent


def main() -> None:
    """Each job, as the command line draws it."""
    jobs = [*(ROOT / "src" / "waywright" / "shop").glob("*.toml"), *(HERE / "examples").glob("*.toml")]
    for job in sorted(jobs):
        picture = HERE / "pictures" / f"{job.stem.replace('_', '-')}.svg"
        command = [sys.executable, "-m", "waywright", "solve", str(job), "--picture", str(picture)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        print(f"drawn: {picture.relative_to(ROOT)}")
    subprocess.run([sys.executable, str(HERE / "house.py")], check=True)
    subprocess.run([sys.executable, str(HERE / "examples" / "pages.py")], check=True)
    subprocess.run([sys.executable, str(HERE / "bench_pictures.py")], check=True)


if __name__ == "__main__":
    main()
