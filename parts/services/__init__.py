"""Every write of this room: one function per act of the trade."""

from .alignment import set_alignment
from .characteristics import (
    add_characteristic,
    change_characteristic,
    import_characteristics,
    remove_characteristic,
)
from .components import add_interface, change_component, change_interface, create_component
from .features import add_feature, feed_characteristic, remove_feature, stop_feeding
from .geometry import examine_geometry, file_geometry, set_geometry
from .kits import change_kit, create_kit
from .regions import add_region, find_again, look_for, remove_region
from .revisions import change_revision, check_open, create_revision, latest_revision, next_letter, start_trial

__all__ = [
    "add_characteristic",
    "add_feature",
    "add_interface",
    "add_region",
    "change_characteristic",
    "change_component",
    "change_interface",
    "change_kit",
    "change_revision",
    "check_open",
    "create_component",
    "create_kit",
    "create_revision",
    "examine_geometry",
    "feed_characteristic",
    "file_geometry",
    "find_again",
    "import_characteristics",
    "latest_revision",
    "look_for",
    "next_letter",
    "remove_characteristic",
    "remove_feature",
    "remove_region",
    "set_alignment",
    "set_geometry",
    "start_trial",
    "stop_feeding",
]
