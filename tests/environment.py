"""Loaded before Django reads its settings: tests have a data folder of their own and run jobs at once."""

import atexit
import os
import shutil
import tempfile

if os.environ.get("PROOFMARK_TESTING") != "1":
    os.environ["PROOFMARK_TESTING"] = "1"
    os.environ["PROOFMARK_DATA"] = tempfile.mkdtemp(prefix="proofmark-tests-")
    for name in ("PROOFMARK_DATABASE", "PROOFMARK_S3_BUCKET", "PROOFMARK_HTTPS", "PROOFMARK_HOSTS"):
        os.environ.pop(name, None)
    os.mkdir(os.path.join(os.environ["PROOFMARK_DATA"], "static"))
    atexit.register(shutil.rmtree, os.environ["PROOFMARK_DATA"], ignore_errors=True)
