"""The template pack has none of the faults common packs have."""

import re

import pytest
from crispy_forms.helper import FormHelper

from tests.look import samples
from tests.look.probes import probe


@pytest.fixture(params=[False, True], ids=["fresh", "wrong"])
def wrong(request):
    return request.param


def test_every_field_kind_is_drawn_without_fault(look, wrong):
    form = samples.everything(wrong=wrong)
    page = look(samples.form_page(form))
    assert probe(page, "fieldFaults") == []
    assert probe(page, "thinEdges") == []
    for name in form.fields:
        assert page.locator(f"[name={name}], [name={name}_0]").count(), name


def test_rows_of_a_formset_are_drawn_without_fault(look, wrong):
    page = look(samples.page("formset_page", formset=samples.formset(wrong=wrong)))
    assert probe(page, "fieldFaults") == []
    assert page.locator(".formset-row").count() == 2
    assert page.locator(".problems").count() == wrong


FAULTS = [
    ('<label for="">x</label>', "empty for"),
    ('<input id="a" aria-label="a"><input id="a" aria-label="b">', "id used twice"),
    ('<input aria-label="a" aria-describedby="gone">', "leads nowhere"),
    ('<div class="problems"><a href="#none">x</a></div>', "leads to no field"),
    ('<input type="submit" aria-label="Send">', "not a button"),
    ("<label>Unit*<input></label>", "asterisk"),
    ("<form></form>", "browser checks first"),
    ("<textarea></textarea>", "no label"),
    ('<p class="error" hidden>Choose which end</p>', "error not visible"),
    (
        '<div class="field"><p class="error">No</p><p class="help">h</p><input aria-label="a"></div>',
        "error before help",
    ),
    ('<div class="field"><input aria-label="a"><p class="error" id="e">No</p></div>', "note after its input"),
    ('<div class="field"><p class="help" id="h">No</p><input aria-label="a"></div>', "described by something else"),
    ('<div class="field"><input aria-label="a" aria-invalid="true"></div>', "wrong without a message"),
]


def test_the_probe_finds_each_fault_it_looks_for(look):
    page = look(samples.page("form_page", form=samples.everything()))
    for html, words in FAULTS:
        page.evaluate("(html) => { document.querySelector('main').innerHTML = html }", html)
        assert any(words in fault for fault in probe(page, "fieldFaults")), html


def test_errors_are_told_first_and_by_the_field(look):
    page = look(samples.driver_page(wrong=True))
    assert page.title().startswith("Problem: ")
    assert page.evaluate("document.activeElement.className") == "problems"
    assert page.locator(".problems").get_attribute("role") == "alert"
    by_field = page.locator(".field .error").all_inner_texts()
    assert page.locator(".problems a").all_inner_texts() == by_field == ["This field is required."] * 2
    page.locator(".problems a").first.click()
    assert probe(page, "focused")["what"] == "id_part_0"


def test_a_fresh_form_has_no_summary_and_a_plain_title(look):
    page = look(samples.driver_page())
    assert page.title() == "Report – Coupler Logbook"
    assert page.locator(".problems, .error").count() == 0


def test_nothing_is_picked_beforehand(look):
    page = look(samples.form_page(samples.everything()))
    assert page.locator("main input:checked").count() == 0


def test_optional_fields_say_so_and_no_other(look):
    form = samples.everything()
    page = look(samples.form_page(form))
    said = page.locator(".field:has(.skippable)").evaluate_all("(nodes) => nodes.map((n) => n.id)")
    optional = [f"div_id_{name}" for name, field in form.fields.items() if not field.required]
    assert said == optional
    assert page.locator("#div_id_speed .skippable").inner_text() == "(only with a cap)"


def test_a_question_is_spoken_with_its_hint_and_its_answers(look):
    page = look(samples.form_page(samples.everything(wrong=True)))
    snapshot = page.locator("#div_id_end").aria_snapshot()
    assert 'group "Question 2 of 6 End"' in snapshot
    assert snapshot.count("- radio ") == 3
    assert 'radio "A end (cab with letter A)"' in snapshot
    assert page.locator("#div_id_end").get_attribute("aria-describedby") == "id_end_helptext id_end_error"


def test_units_and_words_before_a_box_are_part_of_its_name(look):
    page = look(samples.form_page(samples.everything()))
    assert page.get_by_label("Gap, bar").get_attribute("id") == "id_gap"
    assert page.get_by_label("Speed (only with a cap), up to km/h").get_attribute("id") == "id_speed"


def test_group_names_of_answers_are_kept(look):
    page = look(samples.form_page(samples.everything()))
    assert page.locator("#div_id_part .group").all_inner_texts() == ["Doors of air", "Other"]


def test_words_of_people_are_never_markup():
    form = samples.Everything({"unit": '"><script>alert(1)</script>', "note": "</textarea><b>"}, {})
    html = samples.form_page(form)
    assert "<script>alert" not in html
    assert "<b>" not in html
    assert "&lt;b&gt;Look&lt;/b&gt; again" in html


def test_hidden_labels_and_summaries_leave_no_loose_ends(look):
    form = samples.Driver({})
    form.helper = FormHelper(form)
    form.helper.form_show_labels = form.helper.form_show_errors = False
    page = look(samples.form_page(form))
    assert probe(page, "fieldFaults") == []
    assert page.locator(".problems").count() == 0
    assert page.locator(".field .error:visible").count() == 3
    assert page.locator("#div_id_end legend").bounding_box()["width"] <= 1


def test_the_form_keeps_its_helpers_attributes():
    form = samples.everything()
    form.helper.form_id, form.helper.attrs = "close", {"novalidate": "", "data-store": "yes"}
    html = samples.form_page(form)
    tag = re.search(r"<form[^>]*id=\"close\"[^>]*>", html)[0]
    assert tag.count("novalidate") == 1
    assert 'data-store="yes"' in tag
    assert 'enctype="multipart/form-data"' in tag
    assert 'method="post"' in tag
    assert "csrfmiddlewaretoken" in html


def test_a_searching_form_sends_no_token():
    form = samples.Driver()
    form.helper.form_method = "get"
    html = samples.page("form_page", form=form, user=None)
    assert "csrfmiddlewaretoken" not in html


def test_buttons_keep_name_value_and_rank(look):
    page = look(samples.form_page(samples.everything()))
    send = page.get_by_role("button", name="Send for unit 417")
    assert (send.get_attribute("name"), send.get_attribute("value")) == ("send", "Send for unit 417")
    assert page.locator(".primary").count() == 1
    assert page.locator("input[name=key]").get_attribute("value") == "4289"
    assert page.get_by_role("button", name="Clear the form").get_attribute("type") == "reset"


def test_arrow_keys_move_through_answers_and_send_nothing(look):
    page = look(samples.driver_page())
    page.locator("#id_end_0").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert page.locator("[name=end]:checked").get_attribute("value") == "?"
    assert page.url.endswith(".invalid/")


def test_a_tap_on_the_label_answers(look):
    page = look(samples.driver_page(), has_touch=True, is_mobile=True)
    page.locator("label[for=id_fault_1]").tap(position={"x": 300, "y": 60})
    assert page.locator("[name=fault]:checked").get_attribute("value") == "cracked"


def test_photos_can_be_taken_or_chosen_and_are_named(look):
    page = look(samples.driver_page())
    take, choose = page.get_by_label("Take a photo"), page.get_by_label("Choose a photo")
    assert (take.get_attribute("capture"), choose.get_attribute("capture")) == ("environment", None)
    assert take.get_attribute("name") == choose.get_attribute("name") == "photo"
    files = [{"name": f"{n}.jpg", "mimeType": "image/jpeg", "buffer": b"x"} for n in "ab"]
    choose.set_input_files(files)
    assert page.locator(".picked").inner_text() == "Picked: a.jpg, b.jpg"
    choose.set_input_files([])
    assert page.locator(".picked").inner_text() == "Nothing picked yet"


def test_without_scripts_the_browsers_own_file_control_is_shown(look):
    page = look(samples.driver_page(), java_script_enabled=False)
    boxes = [control.bounding_box() for control in page.locator("[type=file]").all()]
    assert [box["height"] >= 44 and box["width"] >= 150 for box in boxes] == [True, True]
    assert page.locator(".picked").is_hidden()
    assert page.locator("#theme").is_hidden()


def test_a_password_can_be_shown_but_is_sent_hidden(look):
    page = look(samples.form_page(samples.everything()))
    page.locator("#id_password").fill("correct horse")
    page.get_by_role("button", name="Show what I typed").click()
    assert page.locator("#id_password").get_attribute("type") == "text"
    page.evaluate("document.querySelector('main form').addEventListener('submit', (e) => e.preventDefault())")
    page.get_by_role("button", name="Send for unit 417").click()
    assert page.locator("#id_password").get_attribute("type") == "password"
