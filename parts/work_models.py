"""What a job works out: asked for by a person, then waiting, under way, and done, failed or stopped."""

from django.conf import settings
from django.db import models


class Work(models.Model):
    """The row of a job; see `parts.work`. `attempt` counts runs: a worker writes only to the attempt it claimed."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "under way"
        DONE = "done", "done"
        FAILED = "failed", "could not be worked out"
        STOPPED = "stopped", "stopped"

    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    attempt = models.PositiveIntegerField(default=1)
    stage = models.CharField(max_length=40, blank=True)
    share = models.FloatField(default=0, help_text="Finished share of the whole job, 0 to 1.")
    heartbeat = models.DateTimeField(null=True, blank=True)
    stop_asked = models.BooleanField(default=False)
    revived = models.BooleanField(default=False, help_text="Taken up again after its worker died; that happens once.")
    error_code = models.CharField(max_length=40, blank=True)
    error = models.TextField(blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    sentence = models.TextField(blank=True)
    figures = models.JSONField(default=dict)
    code_version = models.CharField(max_length=20, blank=True)

    class Meta:
        abstract = True

    @property
    def under_way(self) -> bool:
        return self.state in (self.State.WAITING, self.State.RUNNING)
