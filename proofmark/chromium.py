"""Where the browser of the browser tests is."""

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
PLACES = (
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
)
HOW_TO_GET_IT = (
    "Get it: apt install chromium (Debian, Ubuntu), brew install --cask chromium (macOS), or set PROOFMARK_CHROMIUM "
    "to the path of one you have."
)


def find(environment: Mapping[str, str] = os.environ) -> str | None:
    """Path of a Chromium, or None. PROOFMARK_CHROMIUM names one and is then the only one looked for."""
    named = environment.get("PROOFMARK_CHROMIUM")
    if named:
        return shutil.which(named)
    on_path = filter(None, map(shutil.which, NAMES))
    return next(on_path, None) or next((place for place in PLACES if Path(place).is_file()), None)
