"""The tree stays below the ceilings of `tests/support/house_ceilings.toml`; a name that left it never comes back."""

import ast

import house_figures


def test_no_figure_of_the_house_rises_and_no_list_of_exceptions_grows_or_stays_longer_than_it_must() -> None:
    # One test: the tree is read once, by one worker.
    house, held = house_figures.read(), house_figures.ceilings()
    numbers, names = house_figures.counted(house), house_figures.named(house)
    most: dict[str, int] = {key: int(str(value)) for key, value in held["most"].items()}
    allowed: dict[str, set[str]] = {key: set(value) for key, value in held["names"].items()}  # type: ignore[call-overload]

    assert set(most) == set(numbers) and set(allowed) == set(names)
    assert {key: value for key, value in numbers.items() if value > most[key]} == {}
    assert {key: new for key, now in names.items() if (new := set(now) - allowed[key])} == {}, (
        "new here: better it, rather than listing it"
    )
    assert {key: gone for key, now in names.items() if (gone := allowed[key] - set(now))} == {}, (
        "no longer needed: python tests/support/house_figures.py --shrink"
    )


def test_the_figures_see_what_they_are_for() -> None:
    text = "\n".join(["def long_one(x):", *["    x['a'] if x.get('b') and x else 0"] * 30, "    import json"])
    seen = house_figures.House((house_figures.Module("harness.one", text, ast.parse(text)),))

    assert house_figures.keyed_look_ups(seen) == 60
    assert house_figures.branching_functions(seen) == {"harness.one.long_one": 60}
    assert seen.imports == (("harness.one", "json", True),)
    assert house_figures.uncalled(seen) == {"harness.one.long_one": 32}
