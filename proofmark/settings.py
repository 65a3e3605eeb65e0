"""Settings, from environment variables over safe defaults. DEVELOPERS.md lists the variables."""

import os
import socket
import sys
from pathlib import Path

from proofmark.deployment import database, secret_key, storages, upload_folder

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(os.environ.get("PROOFMARK_DATA") or BASE_DIR / "data").resolve()
TESTING = os.environ.get("PROOFMARK_TESTING") == "1"
DEBUG = os.environ.get("PROOFMARK_DEBUG") == "1"
SECRET_KEY = secret_key(DATA_DIR)
HTTPS = os.environ.get("PROOFMARK_HTTPS") == "1"
# The machine that speaks HTTPS in front of us; whoever else sends its headers is not believed.
PROXY = os.environ.get("PROOFMARK_PROXY") or "127.0.0.1"

# A workshop reaches the machine by its name, its address, or whatever PROOFMARK_HOSTS says.
_named = [host.strip() for host in os.environ.get("PROOFMARK_HOSTS", "").split(",") if host.strip()]
_own = ["localhost", "127.0.0.1", "[::1]", socket.gethostname(), socket.gethostname() + ".local", ".local"]
ALLOWED_HOSTS = _named or _own
CSRF_TRUSTED_ORIGINS = [f"https://{host.lstrip('.')}" for host in _named] if HTTPS else []

INSTALLED_APPS = [
    "proofmark",
    "logbook",
    "parts",
    "casting",
    "inspection",
    "lessons",
    "releases",
    "sitework",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "django_tasks",
    "django_tasks_db",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "proofmark.middleware.SafeHeaders",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "proofmark.middleware.CurrentKit",
]
ROOT_URLCONF = "proofmark.urls"
WSGI_APPLICATION = "proofmark.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ]
        },
    }
]

DATABASES = {"default": database(DATA_DIR, os.environ.get("PROOFMARK_DATABASE", ""))}
STORAGES = storages(DATA_DIR, os.environ, plain_static=DEBUG or TESTING)
FILE_UPLOAD_TEMP_DIR = upload_folder(DATA_DIR)
FILE_UPLOAD_MAX_MEMORY_SIZE = 1 << 20  # larger uploads stream to disk
DATA_UPLOAD_MAX_MEMORY_SIZE = 20 << 20  # pasted tables
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000
TASKS = {
    "default": {
        "BACKEND": "django_tasks.backends.immediate.ImmediateBackend" if TESTING else "django_tasks_db.DatabaseBackend"
    }
}
# Holds nothing but the counts of sign-in attempts; the bundled server is one process.
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache", "OPTIONS": {"MAX_ENTRIES": 20_000}}}

AUTH_USER_MODEL = "proofmark.Person"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
if TESTING:
    PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
STATIC_URL = "static/"
STATICFILES_DIRS = [BASE_DIR / "static"]
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "proofmark.webgl.LibraryFinder",
]
STATIC_ROOT = DATA_DIR / "static"

SESSION_COOKIE_NAME = "proofmark_session"
CSRF_COOKIE_NAME = "proofmark_csrf"
CSRF_FAILURE_VIEW = "proofmark.accounts.csrf_failure"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin" if HTTPS else None  # browsers refuse it on plain HTTP, aloud
if HTTPS:
    SECURE_SSL_REDIRECT = True
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 365 * 24 * 3600
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {
        "stderr": {"class": "logging.StreamHandler", "formatter": "line", "stream": sys.stderr},
        "nowhere": {"class": "logging.NullHandler"},
    },
    "root": {"handlers": ["stderr"], "level": "WARNING"},
    # Any stranger on the network can ask for a wrong host; the page says what to set, the log stays readable.
    "loggers": {"django.security.DisallowedHost": {"handlers": ["nowhere"], "propagate": False}},
}
