"""Nights with faults, any number of them: `python -m tests.campaign --nights 1000 --workers 2`.

Prints counts by fault, each broken promise with its seed, and the 95 % upper bound on the rate of
broken promises (the rule of three where there was none: Clopper-Pearson, exact).
"""

import argparse
import collections
import multiprocessing
import time

from tests.campaign.nights import Night, spend


def upper_bound(broken: int, nights: int) -> float:
    """Return the one-sided 95 % Clopper-Pearson bound. Source: Clopper & Pearson 1934, Biometrika 26(4)."""
    from scipy.stats import beta

    return 1.0 if broken >= nights else float(beta.ppf(0.95, broken + 1, nights - broken))


def main() -> int:
    """Run a campaign; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--seed", type=int, help="only this night, in full")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    if options.seed is not None:
        print(spend(options.seed))
        return 0
    begin = time.monotonic()
    seeds = range(options.first, options.first + options.nights)
    with multiprocessing.Pool(options.workers) as pool:
        nights: list[Night] = pool.map(spend, seeds, chunksize=4)
    fired: collections.Counter[str] = collections.Counter(night.fault for night in nights if night.fired)
    drawn: collections.Counter[str] = collections.Counter(night.fault for night in nights)
    reasons: collections.Counter[str] = collections.Counter(night.reason for night in nights)
    broken = [night for night in nights if night.wrong]
    for name in sorted(drawn):
        print(f"{name:26} drawn {drawn[name]:5d}  fired {fired[name]:5d}")
    print("reasons: " + ", ".join(f"{reason} {count}" for reason, count in reasons.most_common()))
    for night in broken:
        print(
            f"seed {night.seed} ({night.recipe}, {night.fault} at reading {night.at_reading}): {'; '.join(night.wrong)}"
        )
    struck = sum(fired.values())
    print(
        f"{len(nights)} nights, {struck} with a fault that struck, {len(broken)} broken promises, "
        f"95 % upper bound of the rate {upper_bound(len(broken), len(nights)):.5f}, "
        f"{time.monotonic() - begin:.0f} s"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
