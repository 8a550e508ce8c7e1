"""Write anew what the code finds in `replay_data/`: `python -m tests.goldens.bless`.

Do so only when a change of findings is meant; say what changed, and why, in the behaviour log of DEVELOPERS.md.
"""

import json
from pathlib import Path

from strikewatch.demo.shifts import SETTINGS
from strikewatch.service.replay import replay_shifts
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.recordings import open_shifts

SHIFTS = Path(__file__).parents[2] / "replay_data"
GOLDEN = "alerts.jsonl"
NAMES = sorted(folder.name for folder in SHIFTS.iterdir() if folder.is_dir())


def findings(name: str) -> list[str]:
    """The alert records of a shift, one JSON object a line, as `strikewatch replay --json` prints them.

    With the settings of its hammers where its folder has them, with the defaults otherwise.
    """
    own = SHIFTS / name / SETTINGS
    settings = load(own) if own.exists() else Settings()
    result = replay_shifts(open_shifts(SHIFTS / name), settings.of_hammer)
    return [json.dumps(record, ensure_ascii=False) for record in result.records]


if __name__ == "__main__":
    for each in NAMES:
        lines = findings(each)
        (SHIFTS / each / GOLDEN).write_text("".join(line + "\n" for line in lines), encoding="utf-8")
        print(f"{each}: {len(lines)} alerts")
