"""Work that does not belong in a request: making the packet of a release."""

import logging

from django.db import transaction
from django.utils import timezone
from django_tasks import task

from logbook.files import keep
from logbook.services import record

from .models import Packet
from .packet import draw, gather

logger = logging.getLogger(__name__)


@task()
def make_packet(packet_id: int) -> None:
    """Draw the PDF and put it on file. A packet already on file stays as it is."""
    packet = Packet.objects.select_related("release__revision__component__kit", "release__put_forward_by").get(
        pk=packet_id
    )
    if packet.file_id:
        return
    try:
        stored = keep(draw(gather(packet.release, packet.address)), "application/pdf")
    except Exception:
        logger.exception("The packet of %s could not be drawn.", packet.release.revision)
        Packet.objects.filter(pk=packet_id).update(error="The packet could not be drawn. Ask for it again.")
        return
    with transaction.atomic():
        Packet.objects.filter(pk=packet_id, file__isnull=True).update(file=stored, made_at=timezone.now(), error="")
        revision = packet.release.revision
        record(None, "packet.made", revision, f"Packet of {revision} made.", details={"sha256": stored.sha256})
