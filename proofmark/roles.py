"""The four roles: Django groups with their permissions, written down once and applied after every migration."""

from django.apps import apps

LEAD = "engineering lead"
TECHNICIAN = "prototyping technician"
SITE_TEAM = "site team"
VISITOR = "visitor"

ROOMS = ("logbook", "parts", "casting", "inspection", "lessons", "releases", "sitework")
RECORD_ROOMS = ("casting", "inspection", "lessons")

# Besides viewing every record, which all roles may.
MORE = {
    LEAD: {
        **{room: ("add", "change") for room in ROOMS if room != "logbook"},
        "proofmark": ("view", "add", "change"),
    },
    TECHNICIAN: {room: ("add", "change") for room in RECORD_ROOMS},
    SITE_TEAM: {},
    VISITOR: {},
}
ACTS = {
    LEAD: (
        "casting.decide_nonconformity",
        "inspection.correct_mould",
        "inspection.plan_gaugestudy",
        "parts.delete_characteristic",
        "parts.delete_region",
        "parts.delete_feature",
        "parts.delete_feed",
        "releases.put_forward_revision",
        "releases.sign_off_revision",
        "releases.withdraw_revision",
        "releases.grant_concession",
        "releases.place_hold",
        "releases.lift_hold",
        "lessons.prove_lesson",
        "sitework.log_installation",
        "sitework.acknowledge",
    ),
    TECHNICIAN: ("parts.add_mouldabilitycheck", "parts.change_mouldabilitycheck"),
    SITE_TEAM: (
        "sitework.log_installation",
        "sitework.acknowledge",
        "lessons.add_lesson",
        "lessons.add_sighting",
        "lessons.add_photo",
    ),
    VISITOR: (),
}


def codenames(role: str) -> set[tuple[str, str]]:
    """(app, codename) of every permission of a role, whether the database has it or not."""
    wanted = {
        (app, f"view_{model._meta.model_name}") for app in ROOMS for model in apps.get_app_config(app).get_models()
    }
    for app, verbs in MORE[role].items():
        for model in apps.get_app_config(app).get_models():
            wanted |= {(app, f"{verb}_{model._meta.model_name}") for verb in verbs}
    return wanted | {tuple(act.split(".")) for act in ACTS[role]}


def apply(**kwargs: object) -> None:
    """Give each group exactly its permissions. Runs after every migration; running it again changes nothing."""
    group_model = apps.get_model("auth", "Group")
    permission_model = apps.get_model("auth", "Permission")
    known = {(p.content_type.app_label, p.codename): p for p in permission_model.objects.select_related("content_type")}
    for role in MORE:
        group, _ = group_model.objects.get_or_create(name=role)
        group.permissions.set([known[name] for name in codenames(role) if name in known])
