from django.urls import reverse


def test_a_choice_is_kept_with_the_person_and_returns_to_the_page(signed_in, lead):
    response = signed_in(lead).post(reverse("theme"), {"theme": "blueprint", "next": "/styles/?a=1"})
    assert response.status_code == 302 and response.url == "/styles/?a=1"
    lead.refresh_from_db()
    assert lead.theme == "blueprint"


def test_the_page_carries_the_theme_of_the_person_not_the_cookie(signed_in, lead):
    browser = signed_in(lead)
    browser.post(reverse("theme"), {"theme": "blueprint"})
    browser.cookies["proofmark-theme"] = "paper"
    assert 'data-theme="blueprint"' in browser.get(reverse("styles")).content.decode()


def test_a_phone_nobody_is_signed_in_on_keeps_it_in_a_cookie(client, db):
    client.post(reverse("theme"), {"theme": "blueprint"})
    assert client.cookies["proofmark-theme"]["httponly"]
    assert 'data-theme="blueprint"' in client.get(reverse("styles")).content.decode()


def test_an_unknown_theme_leaves_it_to_the_device(signed_in, lead):
    browser = signed_in(lead)
    browser.post(reverse("theme"), {"theme": "blueprint"})
    browser.post(reverse("theme"), {"theme": "<script>"})
    lead.refresh_from_db()
    assert lead.theme == ""


def test_another_host_is_never_gone_back_to(client, db):
    for bad in ("https://example.org/", "//example.org/", "javascript:1", "board", ""):
        assert client.post(reverse("theme"), {"theme": "paper", "next": bad}).url == "/"


def test_looking_changes_nothing(signed_in, lead):
    assert signed_in(lead).get(reverse("theme")).status_code == 405
    lead.refresh_from_db()
    assert lead.theme == ""
