from tests.people import *  # noqa: F403
