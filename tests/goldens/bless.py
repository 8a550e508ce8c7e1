"""Write what the code finds in `replay_data/` to the goldens: `python -m tests.goldens.bless`.

Run it only if a change of findings is meant, and add a line to the behaviour log of DEVELOPERS.md.
"""

import json
from pathlib import Path

from strikewatch.demo.shifts import SETTINGS
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.recordings import open_shifts

SHIFTS = Path(__file__).parents[2] / "replay_data"
GOLDEN = "alerts.jsonl"
NAMES = sorted(folder.name for folder in SHIFTS.iterdir() if folder.is_dir())


def findings(name: str) -> list[str]:
    """Return the alert records of a shift as JSON lines, like `strikewatch replay --json`.

    With the settings in its folder, or the defaults if there are none.
    """
    path = SHIFTS / name / SETTINGS
    settings = load(path) if path.exists() else Settings()
    result = replay_shifts(open_shifts(SHIFTS / name), settings.of_hammer)
    return [json.dumps(record, ensure_ascii=False) for record in result.records]


if __name__ == "__main__":
    for each in NAMES:
        lines = findings(each)
        (SHIFTS / each / GOLDEN).write_text("".join(line + "\n" for line in lines), encoding="utf-8")
        print(f"{each}: {len(lines)} alerts")
