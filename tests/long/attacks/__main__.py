"""Attack a running processor: `python -m tests.long.attacks [name …] [--scale 0.1]`. Exit 1: something did not hold.

Each attack has a fresh site: the shipped broker configuration, `strikewatch run` with its defaults, and honest hammers.
"""

import argparse
import signal
import sys

from tests.long.attacks import doors, invented, session, shapes, single_hammer, webhook
from tests.long.attacks.attack import Attack, format_failure, format_result, table_heading
from tests.long.attacks.measure import AFTER_S, AFTER_SHORT_S, ALERT_TIMEOUT_S, Sites, run_attack
from tests.long.compiled import compile_detectors

ATTACKS: dict[str, Attack] = {
    attack.name: attack
    for module in (session, shapes, single_hammer, invented, doors, webhook)
    for attack in module.ATTACKS
}
"""All attacks by name, in the order in which they run."""


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.long.attacks",
        description=__doc__,
        epilog="\n".join(f"  {one.name:<18} {one.what}" for one in ATTACKS.values()),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("names", nargs="*", metavar="name", help="all, if none is given")
    parser.add_argument("--scale", type=float, default=1.0, help="how much of each: 1 is the whole")
    parser.add_argument(
        "--short", action="store_true", help="the quick ones as in the test run, on one processor"
    )
    parser.add_argument(
        "--patience", type=float, default=ALERT_TIMEOUT_S, help="how long to wait for alerts, s (default 60)"
    )
    options = parser.parse_args()
    if unknown := [name for name in options.names if name not in ATTACKS]:
        parser.error(f"unknown: {', '.join(unknown)}")
    chosen = [ATTACKS[name] for name in options.names or ATTACKS]
    if options.short:
        chosen = [one for one in chosen if one.short is not None and one.plain]
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no process of a site is left behind
    compile_detectors()
    print(table_heading(), flush=True)
    held = True
    with Sites(fresh=not options.short) as sites:
        for attack in chosen:
            scale = attack.short if options.short and attack.short is not None else options.scale
            after_s = AFTER_SHORT_S if options.short else AFTER_S
            try:
                result = run_attack(attack, sites.site(attack), scale, options.patience, after_s)
            except Exception as error:  # noqa: BLE001 - whatever it is, the other attacks are run too
                print(format_failure(attack, error), flush=True)
                sites.renew()
                held = False
            else:
                print(format_result(result), flush=True)
                if result.broken():
                    sites.renew()
                    held = False
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
