"""What a person does on a page: fill in what has a label, press what has a name."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from playwright.sync_api import Locator, Page


def field(page: Page, label: str) -> Locator:
    """The field whose label begins with these words, whatever small note follows them."""
    return page.get_by_role("main").get_by_label(re.compile(rf"^\s*{re.escape(label)}(?!\w)")).first


def fill(page: Page, **values: str | bool | Path) -> None:
    """fill(page, Part_number="SB-02"): text, a choice by words in it, a tick, or a file. An underscore is a space."""
    fill_in(page, {label.replace("_", " "): value for label, value in values.items()})


def fill_in(page: Page, values: dict[str, str | bool | Path]) -> None:
    for label, value in values.items():
        found = field(page, label)
        if isinstance(value, Path):
            found.set_input_files(value)
        elif isinstance(value, bool):
            found.set_checked(value)
        elif found.evaluate("e => e.tagName") == "SELECT":
            option = found.get_by_role("option").filter(has_text=value).first
            found.select_option(value=option.get_attribute("value"))
        else:
            found.fill(value)


def press(page: Page, name: str) -> None:
    """Press a button of the page and wait for what it leads to. Anything the page refuses is shown."""
    page.get_by_role("main").get_by_role("button", name=name, exact=True).click()
    page.wait_for_load_state("load")
    faults = page.get_by_role("alert").or_(page.get_by_role("status").filter(has=page.get_by_label("Not done")))
    if faults.count():
        raise AssertionError(f"“{name}” was refused: " + " | ".join(faults.all_inner_texts()))


def follow(page: Page, name: str) -> None:
    page.get_by_role("main").get_by_role("link", name=name, exact=True).first.click()
    page.wait_for_load_state("load")


def moment(**ago: float) -> str:
    """So long ago, as the browser's date and time field wants it; the kit of the walk keeps UTC."""
    return (datetime.now(UTC) - timedelta(**ago)).strftime("%Y-%m-%dT%H:%M")


def day(**ago: float) -> str:
    return moment(**ago)[:10]


def in_banner(page: Page, name: str) -> None:
    page.get_by_role("banner").get_by_role("link", name=name, exact=True).click()
    page.wait_for_load_state("load")
