"""What a certificate says beside its results: what was not tested, what it is not, and how not to come to harm."""

from amphora.harness.cells.chemistry import KEYS, load_chemistry

NOT_TESTED = (
    "safety in misuse (overcharge, short circuit, crushing, heat)",
    "insulation and any protective circuit",
    "cycle life and remaining service life",
    "performance in cold, in heat and at high current",
    "loss of charge in storage, unless a result above says so",
    "whether markings and origin are true",
    "the tests that transport rules ask for (UN 38.3)",
)
STATEMENTS = (
    "The results relate only to the one item described here, as it was on the dates given.",
    "No accredited test or calibration certificate: the bench is not an accredited laboratory. No safety "
    "approval, no type approval, no promise of service life.",
    "No statement of conformity with any standard for reuse, repurposing or transport: those ask for a "
    "recorded history or for tests that were not made.",
    "To be copied only in full.",
)
CAUTIONS_LITHIUM = (
    "Lithium-ion cells can burn. Charge only with a charger made for this chemistry and limit, on a surface "
    "that cannot burn, between {low:g} and {high:g} °C, with somebody in reach; fuse each cell; never short, open, "
    "crush or heat it.",
    "Do not use or charge a cell that is swollen, dented, leaking, reversed, hot at rest or found below "
    "{reject:.1f} V; hissing, smoke, odour or swelling: get away and call for help.",
    "Posting: by air at most 30 % charged and only as the carrier's rules allow (UN 3480); a damaged or "
    "undiagnosed cell is not posted at all. Never into household waste; tape the terminals first.",
    "Local rules and qualified people come before this paper.",
)
CAUTIONS_OTHER = (
    "Cells hold energy: fuse each cell; never short, open, crush or heat it; charge only with a charger made for "
    "this chemistry, with somebody in reach.",
    "Do not use or charge a cell that is swollen, dented, leaking or reversed.",
    "Posting only as the carrier's rules allow; a damaged or undiagnosed cell is not posted at all. Never into "
    "household waste; tape the terminals first.",
    "Local rules and qualified people come before this paper.",
)
GRADE_RULE = (
    "A limit is met by a value that is beyond it by its expanded uncertainty (k = 2). It is not met by one that fails "
    "by as much. In between it is open, and an open criterion does not raise the grade. Limits are the bench's own, "
    "not those of a standard."
)


def cautions(chemistry: str) -> list[str]:
    """Return the cautions of a chemistry, with its own limits in them."""
    if not lithium(chemistry):
        return list(CAUTIONS_OTHER)
    window = load_chemistry(chemistry if chemistry in KEYS else "auto")
    limits = {"low": window.charge_low_degC, "high": window.charge_high_degC, "reject": window.reject_below_V}
    return [text.format(**limits) for text in CAUTIONS_LITHIUM]


def lithium(key: str) -> bool:
    """Whether a chemistry is one of lithium; an unknown one counts as such."""
    return key not in ("nimh", "nicd", "lead-acid")
