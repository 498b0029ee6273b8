"""Tests in a real browser. They run when this folder is named (`pytest tests/browser`), as CI does after installing
Chromium and the extra `browser`; a plain run of the suite needs neither."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    asked = [Path(config.invocation_params.dir, argument.split("::")[0]) for argument in config.args]
    named = any(path.resolve() == HERE or HERE in path.resolve().parents for path in asked)
    return None if named else True


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    program = os.environ.get("AMPHORA_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "no Chromium found: install Debian's package chromium, or name it in AMPHORA_CHROMIUM"
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Any]:
    """Open an address in a fresh context; the page carries `left` (requests that left the machine) and `said`."""
    contexts = []

    def opened(url: str, width: int = 1280, height: int = 900, scripts: bool = True) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, java_script_enabled=scripts)
        contexts.append(context)
        page = context.new_page()
        page.left, page.said = [], []

        def judge(request: Any) -> None:
            if not request.url.startswith(("file:", "http://127.0.0.1:")):
                page.left.append(request.url)

        page.on("request", judge)
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("dialog", lambda dialog: (page.said.append("dialog " + dialog.message), dialog.dismiss()))
        page.goto(url)
        return page

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture
def violations() -> Any:
    """Return what the accessibility rules of axe-core (open source, its own process of publishing) find on a page."""
    from axe_playwright_python.base import AXE_FILE_PATH

    def found(page: Any) -> list[str]:
        page.evaluate(Path(AXE_FILE_PATH).read_text(encoding="utf-8") + "; undefined")
        answer = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        assert len(answer["passes"]) > 5  # it did look
        return [f"{item['id']}: {item['nodes'][0]['html'][:120]}" for item in answer["violations"]]

    return found
