"""A region is kept as the way it is chosen; features are fitted in regions and may feed characteristics."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("parts", "0004_mouldability")]

    operations = [
        migrations.AddField(
            model_name="region",
            name="selection",
            field=models.JSONField(default=dict, help_text="How it is chosen on the nominal."),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="region",
            name="moved_limit",
            field=models.DecimalField(
                blank=True, decimal_places=3, max_digits=8, null=True, verbose_name="moved as a whole by at most, ± mm"
            ),
        ),
        migrations.AddField(
            model_name="region",
            name="turned_limit",
            field=models.DecimalField(
                blank=True,
                decimal_places=3,
                max_digits=7,
                null=True,
                verbose_name="turned as a whole by at most, ± degrees",
            ),
        ),
        migrations.AddField(
            model_name="region",
            name="found",
            field=models.JSONField(
                blank=True,
                default=dict,
                help_text="What it found on which nominal: hash, faces, area in mm², seeds lost.",
            ),
        ),
        migrations.AddConstraint(
            model_name="region",
            constraint=models.CheckConstraint(
                condition=models.Q(("moved_limit__isnull", True), ("moved_limit__gt", 0), _connector="OR")
                & models.Q(("turned_limit__isnull", True), ("turned_limit__gt", 0), _connector="OR"),
                name="parts_region_motion_limits_positive",
            ),
        ),
        migrations.CreateModel(
            name="Feature",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=60)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("plane", "plane"),
                            ("line", "line"),
                            ("circle", "circle"),
                            ("cylinder", "cylinder"),
                            ("sphere", "sphere"),
                        ],
                        max_length=10,
                    ),
                ),
                ("regions", models.ManyToManyField(related_name="features", to="parts.region")),
                (
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="features", to="parts.revision"
                    ),
                ),
            ],
            options={"ordering": ["revision", "name"]},
        ),
        migrations.CreateModel(
            name="Feed",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "gives",
                    models.CharField(
                        choices=[
                            ("form", "form"),
                            ("diameter", "diameter"),
                            ("position", "position"),
                            ("distance", "distance"),
                            ("angle", "angle"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "characteristic",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE, related_name="feed", to="parts.characteristic"
                    ),
                ),
                (
                    "feature",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="feeds", to="parts.feature"
                    ),
                ),
                (
                    "other",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="feeds_as_other",
                        to="parts.feature",
                    ),
                ),
            ],
            options={"ordering": ["characteristic__number"]},
        ),
        migrations.AddConstraint(
            model_name="feature",
            constraint=models.UniqueConstraint(fields=("revision", "name"), name="parts_feature_name_once"),
        ),
        migrations.AddConstraint(
            model_name="feed",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("gives__in", ["distance", "angle"]),
                        ("other__isnull", False),
                        models.Q(("other", models.F("feature")), _negated=True),
                    ),
                    models.Q(
                        models.Q(("gives__in", ["distance", "angle"]), _negated=True), ("other__isnull", True)
                    ),
                    _connector="OR",
                ),
                name="parts_feed_two_features_where_two_are_needed",
            ),
        ),
    ]
