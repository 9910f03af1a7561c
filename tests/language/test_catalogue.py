"""The catalogue of words is whole, and what cannot be used is refused in words."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import polib
import pytest

from monitor.commands.common.screen import LANGUAGES
from monitor.errors import UserError
from monitor.language import catalogue, english, tr, tr_n, tr_record
from monitor.model.alarm import Severity
from monitor.ui.acts import ACTS, WATCH
from monitor.ui.drawing import digits
from tests.language.catalogues import SPANISH, language
from tests.language.extraction import ROOT, keys, recorded

FILE = polib.pofile(str(SPANISH))
ENTRIES = {entry.msgid: entry for entry in FILE}


def test_the_catalogue_has_every_word_of_the_screens_and_no_other() -> None:
    found = keys()
    assert not found.keys() - ENTRIES.keys(), "python -m tests.language puts them in"
    assert not ENTRIES.keys() - found.keys(), "python -m tests.language takes them out"
    assert {key: entry.msgid_plural for key, entry in ENTRIES.items()} == found
    assert {key for key, entry in ENTRIES.items() if entry.comment == catalogue.RECORDED} == recorded()


def test_spanish_is_whole_and_keeps_every_part() -> None:
    for entry in FILE:
        texts = list(entry.msgstr_plural.values()) if entry.msgid_plural else [entry.msgstr]
        assert all(texts), entry.msgid
        assert not entry.fuzzy
        assert not catalogue.trouble_in(entry.msgid, texts, entry.msgid_plural)
        for text in texts:
            assert catalogue.parts_of(entry.msgid) - {"n"} <= catalogue.parts_of(text), entry.msgid
            # Blanks join a text to its neighbours.
            assert [text[0] == " ", text[-1] == " "] == [entry.msgid[0] == " ", entry.msgid[-1] == " "], entry.msgid


def test_spanish_messages_of_rules_are_as_short_as_the_banner_needs() -> None:
    for rule in tomllib.loads((ROOT / "config/rules.toml").read_text(encoding="utf-8"))["rule"]:
        assert len(ENTRIES[rule["message"]].msgstr) <= 37, rule["message"]
        assert len(ENTRIES[rule["guidance"]].msgstr) <= 76, rule["guidance"]


@pytest.mark.parametrize("code", catalogue.shipped())
def test_large_letters_write_every_word_to_act_on(code: str) -> None:
    with language(code):
        words = [WATCH, *(severity.name for severity in Severity), *(act.word for act in ACTS.values())]
        words += [act.short for act in ACTS.values() if act.short]
        assert not [word for word in words if digits.large(tr(word), 1) is None]


def test_the_languages_to_choose_from_are_those_that_are_shipped() -> None:
    assert catalogue.shipped() == LANGUAGES


@pytest.mark.parametrize(
    ("environment", "code"),
    [
        ({"LANG": "es_MX.UTF-8"}, "es"), ({"LANG": "es"}, "es"), ({"LANG": "nb_NO.UTF-8"}, "en"), ({"LANG": "C"}, "en"),
        ({}, "en"), ({"LC_ALL": "en_US.UTF-8", "LANG": "es_ES"}, "en"), ({"LC_MESSAGES": "es_AR", "LANG": "en_GB"}, "es"),
        ({"LC_ALL": "", "LANG": "es_ES"}, "es"),
    ],
)  # fmt: skip
def test_the_environment_names_the_language(environment: dict[str, str], code: str) -> None:
    assert catalogue.language_of(environment) == code


def test_what_was_recorded_in_english_is_shown_with_its_parts() -> None:
    with language("es"):
        assert tr_record("Silent: hook load") == "Sin señal: carga gancho"
        assert tr_record("Check drum-1: cable, power, gateway.") == "Revise drum-1: cable, alimentación, pasarela."
        assert tr_record("count jumped further than the mast is high: reference needed").startswith("la cuenta saltó")
        assert tr_record("every 12 h and after each cut and slip") == "cada 12 h y tras cada corrida y corte"
        assert (
            tr_record("height jumped by -12.4 m: reference needed") == "la altura saltó -12.4 m: hace falta referencia"
        )
        assert tr_record("Pump 3 hums") == "Pump 3 hums"
        assert tr_record("HEIGHT UNKNOWN: limits are not watched") == "HEIGHT UNKNOWN: limits are not watched"
        assert tr_n("{n} rule", "{n} rules", 1) == "1 regla"
        with english():
            assert (tr("unknown"), tr_record("Silent: hook load")) == ("unknown", "Silent: hook load")
        assert tr("unknown") == "sin dato"
    assert (tr("unknown"), tr_n("{n} rule", "{n} rules", 2)) == ("unknown", "2 rules")


PLURAL = 'msgid ""\nmsgstr "Plural-Forms: nplurals=2; plural=n!!;\\n"\n\n'
HEAD = 'msgid ""\nmsgstr "Content-Type: text/plain; charset=UTF-8\\n"\n\n'


def test_a_catalogue_of_the_site_may_lack_words(tmp_path: Path) -> None:
    path = tmp_path / "nb.po"
    words = {"unknown": "ukjent", "Silent: {sensor}": "{sensor} tier", "Pump {pump} hums": "Pumpe {pump} synger"}
    path.write_text(HEAD + "".join(f'msgid "{key}"\nmsgstr "{text}"\n\n' for key, text in words.items()))
    with language("en", path):
        assert (tr("unknown"), tr("not fitted"), tr_record("Silent: hook load")) == (
            "ukjent",
            "not fitted",
            "hook load tier",
        )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no catalogue", "no catalogue in gettext's PO format"),
        ("", "nothing is translated in it"),
        (HEAD + 'msgid "unknown"\nmsgstr ""\n', "nothing is translated in it"),
        (HEAD + 'msgid "Silent: {sensor}"\nmsgstr "{thing} tier"\n', 'line 4: "{thing} tier" names {thing}'),
        (HEAD + 'msgid "Silent: {sensor}"\nmsgstr "{sensor.__class__} tier"\n', "names {sensor.__class__}"),
        (HEAD + 'msgid "Silent: {sensor}"\nmsgstr "{sensor:>99999999} tier"\n', "names {sensor:>99999999}"),
        (HEAD + 'msgid "Silent: {sensor}"\nmsgstr "{sensor tier"\n', "braces that do not close"),
        (HEAD + 'msgid "unknown"\nmsgstr "\x1b[31mukjent"\n', "a control character"),
        (PLURAL + 'msgid "unknown"\nmsgstr "ukjent"\n', "its head cannot be used"),
    ],
    ids=("text", "empty", "untranslated", "part", "attribute", "width", "brace", "control", "plural"),
)  # fmt: skip
def test_a_catalogue_that_cannot_be_used_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "site.po"
    path.write_text(text)
    with pytest.raises(UserError) as refusal:
        catalogue.choose("en", str(path))
    assert str(path) in str(refusal.value)
    assert words in str(refusal.value)


def test_a_file_that_is_not_there_or_not_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"cannot be read .*--words takes a \.po file"):
        catalogue.choose("en", str(tmp_path / "none.po"))
    (tmp_path / "bytes.po").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="not UTF-8"):
        catalogue.choose("en", str(tmp_path / "bytes.po"))
    (tmp_path / "long.po").write_bytes(b" " * (catalogue.MOST_BYTES + 1))
    with pytest.raises(UserError, match="larger than 3,906 kB"):
        catalogue.choose("en", str(tmp_path / "long.po"))


def test_english_needs_no_reader_of_catalogues() -> None:
    code = "import sys, monitor.language.catalogue as c; c.choose('en'); sys.exit('polib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def test_no_regular_file_is_a_catalogue(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.po")
    before = catalogue.environment_of_words()
    for path, kind in ((tmp_path / "pipe.po", "a named pipe"), (Path("/dev/zero"), "a device")):
        with pytest.raises(UserError, match=f"cannot be read .is no regular file but {kind}"):
            catalogue.choose("en", str(path))
    assert catalogue.environment_of_words() == before
