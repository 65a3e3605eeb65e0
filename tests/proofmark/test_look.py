"""Tags, partials and the base: what reaches a page. Needs no database except for the theme of a person."""

import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from django import forms
from django.contrib.auth.models import AnonymousUser
from django.template import Context, Template
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.urls import reverse

from inspection.models import Result
from parts.models import RevisionState
from proofmark.drawing.words import NAMES, mark_of
from proofmark.templatetags import look
from releases.models import Verdict

ROOT = Path(__file__).resolve().parents[2]
STATIC = ROOT / "static" / "proofmark"
SPRITE = (STATIC / "marks.svg").read_text()
INLINE = re.compile(r"\sstyle=|<script(?![^>]*\ssrc=)|\son[a-z]+=|<style", re.IGNORECASE)


def draw(source, **context):
    return Template("{% load look once %}" + source).render(Context(context))


class SampleForm(forms.Form):
    mass = forms.DecimalField(label="mass", help_text="Dry, without slings.")
    note = forms.CharField(label="note", required=False)
    pad = forms.BooleanField(label="Bearing pad in", required=False)
    scan = forms.FileField(label="scan", required=False)
    serials = forms.MultipleChoiceField(choices=[("1", "SB-01")], widget=forms.CheckboxSelectMultiple)


# ---- marks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_every_mark_is_in_the_sprite(name):
    assert f'id="m-{name}"' in SPRITE


def test_the_sprite_needs_nothing_from_its_own_document():
    assert "url(" not in SPRITE and "<pattern" not in SPRITE


@pytest.mark.parametrize("word", [*Verdict.values, *Result.values, *RevisionState.values, "on hold"])
def test_every_word_of_the_gate_and_the_gauge_has_a_mark(word):
    assert mark_of(word) in NAMES


def test_a_mark_alone_is_spoken_and_one_beside_a_word_is_not():
    assert 'role="img" aria-label="Size: fail"' in draw('{% mark "fail" "Size: fail" "l" %}')
    assert 'aria-hidden="true"' in draw('{% mark "fail" %}')


def test_a_word_without_a_mark_stands_alone():
    assert draw('{% mark "nonsense" %}') == ""
    assert draw('{% says "nonsense" %}') == '<span class="says">Nonsense</span>'


def test_says_takes_another_text_and_escapes_it():
    assert draw('{% says "fail" text %}', text="<2 left").endswith("&lt;2 left</span>")


@pytest.mark.parametrize(
    ("state", "kind"),
    [("buildable", "signed"), ("on trial", "trial"), ("superseded", "past"), ("withdrawn", "struck")],
)
def test_a_revision_letter_is_boxed_by_its_state(state, kind):
    revision = SimpleNamespace(letter="C", state=state)
    html = draw('{% rev_letter one href="/c/" current=one %}', one=revision)
    assert html == f'<a class="rev {kind}" href="/c/" aria-label="C, {state}, this one" aria-current="true">C</a>'


# ---- numbers and times -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "text"),
    [
        ("{{ 1.8|mm }}", "1.8\u00a0mm"),
        ("{{ x|mm:2 }}", "\u22121.25\u00a0mm"),
        ("{{ x|signed:1|unit:'mm' }}", "\u22121.2\u00a0mm"),
        ("{{ 104.2|unit:'kg' }}", "104.2\u00a0kg"),
        ("{{ 0.978|pct }}", "97.8\u00a0%"),
        ("{{ nothing|mm }}{{ nothing|pct }}{{ nothing|signed }}{{ nothing|unit:'kg' }}{{ nothing|when }}", ""),
    ],
)
def test_filters_write_numbers_with_their_unit(source, text):
    assert draw(source, x=-1.25, nothing=None) == text


def test_when_writes_the_local_time_and_keeps_it_for_machines(settings):
    settings.TIME_ZONE = "Europe/Oslo"
    moment = datetime(2026, 5, 11, 13, 20, tzinfo=UTC)
    html = draw("{{ t|when }}", t=moment)
    assert html == '<time datetime="2026-05-11T15:20+02:00">11\u00a0May\u00a02026\u00a015:20</time>'


def test_a_gauge_takes_template_variables_that_are_not_there():
    assert draw("{% gauge lower=a.b upper=c value=d guard=e %}") == ""
    assert "at least" in draw("{% gauge lower=1 upper=c value=2 guard=e decimals=f %}")


# ---- forms -----------------------------------------------------------------------------------------------------------


def test_a_field_ties_label_help_and_error_to_its_control():
    html = draw('{% field form.mass unit="kg" %}', form=SampleForm({"mass": "heavy"}))
    assert 'class="field bad"' in html
    assert '<label for="id_mass">Mass' in html
    assert 'aria-describedby="id_mass_helptext id_mass_error"' in html
    assert 'aria-invalid="true"' in html
    assert 'id="id_mass_helptext"' in html and 'id="id_mass_error"' in html
    assert "<span>kg</span>" in html
    assert 'value="heavy"' in html


def test_an_optional_field_says_so():
    assert "<small>optional</small>" in draw("{% field form.note %}", form=SampleForm())
    assert "optional" not in draw("{% field form.mass %}", form=SampleForm())


def test_a_checkbox_stands_before_its_words():
    assert re.search(
        r'<label class="tick"><input type="checkbox"[^>]*><span>Bearing',
        draw("{% field form.pad %}", form=SampleForm()),
    )


def test_several_choices_are_a_named_group():
    html = draw("{% field form.serials %}", form=SampleForm({}))
    assert '<fieldset class="field choices bad" id="id_serials" aria-describedby="id_serials_error"' in html
    assert "<legend>Serials" in html


def test_the_error_summary_links_to_every_field():
    html = draw('{% include "_errors.html" %}', form=SampleForm({"mass": ""}))
    assert "2 entries need another look" in html
    assert 'href="#id_mass"' in html and 'href="#id_serials"' in html


def test_the_form_partial_brings_token_and_once():
    html = render_to_string("_form.html", {"form": SampleForm(), "do": "Log it"}, RequestFactory().get("/"))
    assert 'name="once"' in html and 'name="csrfmiddlewaretoken"' in html
    assert 'enctype="multipart/form-data"' in html
    assert ">Log it</button>" in html


def test_a_running_job_asks_again_and_a_finished_one_does_not():
    stages = [("Read", "done"), ("Align", "under way")]
    running = render_to_string("_job.html", {"what": "Fitting", "share": 58, "stages": stages, "poll": "/p/"})
    assert 'hx-get="/p/"' in running and 'value="58"' in running and 'aria-current="step"' in running
    assert "hx-get" not in render_to_string("_job.html", {"what": "Fitting", "share": 100, "stages": stages})


# ---- the base --------------------------------------------------------------------------------------------------------


def request_of(user=None, kit=None, theme=""):
    request = RequestFactory().get("/")
    request.user, request.kit, request.resolver_match = user or AnonymousUser(), kit, None
    if theme:
        request.COOKIES["proofmark-theme"] = theme
    return request


@pytest.mark.parametrize("base", ["base.html", "base_tablet.html", "base_phone.html"])
def test_every_page_carries_the_fine_print_and_no_inline_code(base):
    html = render_to_string(base, {}, request_of(theme="blueprint"))
    assert "does not replace a licensed engineer" in html
    assert '<html lang="en" data-theme="blueprint">' in html
    assert 'class="skip" href="#main"' in html
    assert not INLINE.search(html)


def test_an_invented_kit_says_so_on_every_page():
    invented = SimpleNamespace(name="Tern Point walkway", code="TPW", invented=True)
    for base in ("base.html", "base_phone.html"):
        assert "Tern Point walkway is invented" in render_to_string(base, {}, request_of(kit=invented))


def test_a_page_without_a_request_can_still_be_drawn():
    assert "Proofmark" in render_to_string("base.html", {})


def test_no_template_has_inline_styles_or_scripts():
    found = [path for path in (ROOT / "templates").rglob("*.html") if INLINE.search(path.read_text())]
    assert found == []


def test_rooms_are_those_the_person_may_see():
    class Person:
        is_authenticated = True

        def has_perm(self, name):
            return name != "sitework.view_site"

    request = request_of(Person(), SimpleNamespace(name="Tern Point walkway", code="TPW", invented=False))
    request.resolver_match = SimpleNamespace(namespace="casting", url_name="cast")
    links = look.room_links({"request": request})
    assert [link["name"] for link in links if link["current"]] == ["Parts"]
    assert "Site" not in [link["name"] for link in links]


def test_a_visitor_without_a_kit_has_no_rooms():
    assert look.room_links({"request": request_of()}) == []


def test_the_style_sheet_shows_every_mark_and_field(client, db):
    response = client.get(reverse("styles"))
    html = response.content.decode()
    assert response.status_code == 200
    assert not INLINE.search(html)
    assert {f"#m-{name}" for name in NAMES} - {"#m-cross"} <= set(re.findall(r"#m-[a-z]+", html))


# ---- colours ---------------------------------------------------------------------------------------------------------


def luminance(hexcode):
    """Relative luminance as WCAG 2.x defines it (from memory)."""
    channels = [int(hexcode[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, two):
    light, dark = sorted((luminance(one), luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def tokens():
    css = (STATIC / "css" / "base.css").read_text()
    return {
        name: (paper, blueprint)
        for name, paper, blueprint in re.findall(r"--([a-z-]+):\s+light-dark\((#\w{6}),\s+(#\w{6})\)", css)
    }


@pytest.mark.parametrize("theme", [0, 1])
@pytest.mark.parametrize(
    ("front", "back", "least"),
    [
        ("graphite", "paper", 7),
        ("graphite", "recess", 7),
        ("graphite", "wash", 7),
        ("lead", "paper", 4.5),
        ("lead", "recess", 4.5),
        ("lead", "wash", 4.5),
        ("ink", "paper", 4.5),
        ("ink", "wash", 4.5),
        ("on-ink", "ink", 4.5),
        ("edge", "paper", 3),
        ("edge", "recess", 3),
    ],
)
def test_colours_keep_their_contrast_in_both_themes(theme, front, back, least):
    table = tokens()
    assert contrast(table[front][theme], table[back][theme]) >= least


def test_contrast_of_black_on_white_is_twenty_one():
    # 21 : 1 is the greatest ratio in WCAG 2.x (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


def test_colours_are_written_in_one_place():
    for path in (STATIC / "css").glob("*.css"):
        if path.name in ("base.css", "print.css", "admin.css"):
            continue
        strange = set(re.findall(r"#[0-9a-fA-F]{3,6}\b", path.read_text())) - {"#1d2227", "#fff"}
        assert not strange, path.name
