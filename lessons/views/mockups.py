"""Pages of mock-ups and of the questions that they must answer."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from lessons import services, what_if
from lessons.forms import trials as forms
from lessons.models import Question
from lessons.queries import trials as queries
from lessons.reading.trials import mockup_in_words, question_in_words, trial_in_words
from parts.acting import act_once, form_page, may

from .paging import page_of
from .positions import panel

FORM = ["GET", "HEAD", "POST"]


@require_safe
@may("lessons.view_mockup")
def mockups(request: HttpRequest) -> HttpResponse:
    page = page_of(request, queries.mockups_for_list(request.kit))
    for row in page:
        row.spoken = mockup_in_words(row)
    return render(request, "lessons/mockups.html", {"page": page})


@require_safe
@may("lessons.view_mockup")
def mockup(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.mockup_or_404(request.kit, code)
    trials = page_of(request, queries.trials_for_list(request.kit).filter(mockup=found))
    for row in trials:
        row.spoken = trial_in_words(row, timezone.now())
    context = {
        "mockup": found,
        "spoken": mockup_in_words(found),
        "questions": queries.questions_for_list(request.kit).filter(mockup=found),
        "page": trials,
        "what_if": what_if.of_mockup(found),
    }
    return render(request, "lessons/mockup.html", context | panel(found))


@require_http_methods(FORM)
@may("lessons.add_mockup")
def add_mockup(request: HttpRequest) -> HttpResponse:
    form = forms.MockupForm(request.POST or None, kit=request.kit)
    return form_page(
        request,
        form,
        lambda: services.add_mockup(request.kit, by=request.user, **form.cleaned_data),
        template="lessons/mockup_form.html",
        context={},
    )


@require_http_methods(FORM)
@may("lessons.change_mockup")
def change_mockup(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.mockup_or_404(request.kit, code)
    form = forms.MockupForm(request.POST or None, kit=request.kit, mockup=found)
    return form_page(
        request,
        form,
        lambda: services.change_mockup(found, by=request.user, **form.cleaned_data),
        template="lessons/mockup_form.html",
        context={"mockup": found},
    )


@require_http_methods(FORM)
@may("lessons.add_question")
def ask(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.mockup_or_404(request.kit, code)
    form = forms.QuestionForm(request.POST or None, mockup=found)
    return form_page(
        request,
        form,
        lambda: services.ask_question(found, by=request.user, **form.cleaned_data),
        template="lessons/ask.html",
        context={"mockup": found},
    )


@require_safe
@may("lessons.view_question")
def questions(request: HttpRequest) -> HttpResponse:
    return render(
        request, "lessons/questions.html", {"page": page_of(request, queries.questions_for_list(request.kit))}
    )


@require_safe
@may("lessons.view_question")
def question(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.question_or_404(request.kit, code)
    form = forms.AnswerForm(question=found) if found.is_open else None
    return _question_page(request, found, form)


@require_http_methods(["POST"])
@may("lessons.change_question")
def answer(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.question_or_404(request.kit, code)
    form = forms.AnswerForm(request.POST, question=found)
    done = act_once(request, form, lambda: services.answer_question(found, by=request.user, **form.cleaned_data))
    return done or _question_page(request, found, form)


def _question_page(request: HttpRequest, found: Question, form: forms.AnswerForm | None) -> HttpResponse:
    context = {"question": found, "spoken": question_in_words(found), "form": form}
    return render(request, "lessons/question.html", context)
