"""Home: each person is led to the board of their work."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.templatetags.static import static
from django.utils import timezone
from django.views.decorators.http import require_safe

from logbook.models import ChainHead
from parts.acting import may
from parts.models import Kit
from sitework.models import Site

from .bench import bench, said
from .lead import lead_board

LOOKED = "looked"
# A second look within this time still shows what was new at the first.
ONE_LOOK = 600


@require_safe
@login_required
def home(request: HttpRequest) -> HttpResponse:
    """The board of the last kit that the person worked on, by what they do."""
    kit = Kit.objects.filter(code=request.session.get("kit")).first() or Kit.objects.first()
    if kit is None:
        return redirect("kits:list")
    person = request.user
    if person.has_perm("releases.sign_off_revision") or not person.has_perm("casting.view_cast"):
        return redirect("board", kit.code)
    if person.has_perm("casting.add_cast"):
        return redirect("bench", kit.code)
    if person.has_perm("sitework.log_installation"):
        site = Site.objects.filter(kit=kit, team=person).first() or Site.objects.filter(kit=kit).first()
        return redirect(site) if site else redirect("sitework:board", kit.code)
    return redirect("board", kit.code)


@require_safe
@may("parts.view_component")
def board(request: HttpRequest) -> HttpResponse:
    """What stops us building."""
    now = timezone.now()
    request.session["kit"] = request.kit.code
    last_entry, since = _last_look(request, now)
    context = {
        "board": lead_board(request.kit, request.user, now, last_entry),
        "now": now,
        "since": since,
        "sprite": static("proofmark/marks.svg"),
    }
    return render(request, "boards/lead.html", context)


@require_safe
@may("casting.view_cast")
def my_bench(request: HttpRequest) -> HttpResponse:
    """What to do today."""
    now = timezone.now()
    request.session["kit"] = request.kit.code
    stacks = bench(request.kit, now)
    return render(request, "boards/bench.html", {"stacks": stacks, "sentence": said(stacks), "now": now})


def _last_look(request: HttpRequest, now) -> tuple[int, object]:
    """Number of the last entry seen at the look before this one, and when that was."""
    looks = request.session.setdefault(LOOKED, {})
    head = ChainHead.objects.filter(pk=1).values_list("number", flat=True).first() or 0
    before = looks.get(request.kit.code)
    if before is None:
        looks[request.kit.code] = {"seen": head, "before": 0, "at": now.isoformat(), "since": None}
    elif (now - timezone.datetime.fromisoformat(before["at"])).total_seconds() > ONE_LOOK:
        looks[request.kit.code] = {"seen": head, "before": before["seen"], "at": now.isoformat(), "since": before["at"]}
    request.session.modified = True
    look = looks[request.kit.code]
    return look["before"], timezone.datetime.fromisoformat(look["since"]) if look["since"] else None
