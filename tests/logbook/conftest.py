import pytest


@pytest.fixture(autouse=True)
def files_of_this_test_only(settings, tmp_path):
    """Tidying removes what it does not know: it must never see the files of a real data folder."""
    settings.STORAGES = settings.STORAGES | {
        "default": {
            "BACKEND": "django.core.files.storage.FileSystemStorage",
            "OPTIONS": {"location": tmp_path / "files"},
        }
    }
