from django.contrib import admin

from .models import Entry, StoredFile


class ReadOnly(admin.ModelAdmin):
    """Look, never touch: every change goes through a service that writes the logbook."""

    def has_add_permission(self, request):
        return False

    def has_change_permission(self, request, obj=None):
        return False

    def has_delete_permission(self, request, obj=None):
        return False


@admin.register(Entry)
class EntryAdmin(ReadOnly):
    list_display = ["number", "at", "who_name", "sentence", "trail"]
    search_fields = ["sentence", "trail"]


@admin.register(StoredFile)
class StoredFileAdmin(ReadOnly):
    list_display = ["sha256", "size", "media_type", "created_at"]
