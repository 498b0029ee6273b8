"""The pages: links lead somewhere, the bench file's example is accepted, and its page leaves out no key."""

import re
from pathlib import Path

from amphora.drivers import opening
from amphora.drivers.serial import logger as serial_logger
from amphora.drivers.serial import relay as switch
from amphora.harness.bench import bench_file as bench
from amphora.harness.common import alarm
from amphora.harness.common.fields import keys_of

PAGE = Path(__file__).resolve().parents[2] / "docs" / "bench-file.md"
README = PAGE.parents[1] / "README.md"


def blocks(page: Path) -> list[str]:
    return re.findall(r"^```toml\n(.*?)^```", page.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


def test_the_example_of_the_page_and_that_of_the_readme_are_accepted(tmp_path: Path) -> None:
    for text in (*blocks(PAGE), *blocks(README)):
        file = tmp_path / "bench.toml"
        file.write_text(text, encoding="utf-8")
        described = bench.load_bench(file)
        assert described.cell_voltage == "load" and described.cell_temperature == "thermometer"
        for name, table in described.instruments.items():
            known = {"logger": serial_logger.LOGGER_KEYS, "switch": switch.KEYS}.get(table["role"], opening.KEYS)
            assert set(table) <= set(known), name


def test_every_key_is_on_the_page() -> None:
    said = set(re.findall(r"`([a-z_]+)`", PAGE.read_text(encoding="utf-8")))
    known = {
        *keys_of(bench.BenchTable),
        *keys_of(bench.CellTable),
        *keys_of(alarm.AlarmsTable),
        *opening.KEYS,
        *serial_logger.LOGGER_KEYS,
        *switch.KEYS,
    }
    assert known - said == set()


def anchors(page: Path) -> set[str]:
    """Headings as addresses: small letters, hyphens for spaces, nothing but letters, digits, hyphens."""
    headings = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-") for heading in headings}


def test_every_link_of_the_pages_leads_somewhere_and_every_page_is_found_from_the_readme() -> None:
    root = README.parent
    pages = [README, root / "DEVELOPERS.md", root / "CHANGELOG.md", *sorted((root / "docs").glob("*.md"))]
    found = set()
    for page in pages:
        for link in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
            if link.startswith(("http://", "https://")):
                continue
            name, _, anchor = link.partition("#")
            target = (page.parent / name).resolve() if name else page
            assert target.exists(), (page.name, link)
            assert not anchor or anchor in anchors(target), (page.name, link)
            if page in (README, root / "docs" / "README.md"):
                found.add(target)
    assert {page for page in pages if page != README} <= found
