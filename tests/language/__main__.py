"""`python -m tests.language`: bring the catalogue up to date with the source. New keys come in empty, what is gone goes, and what
is to be translated is printed. Translators begin with a copy of it."""

import polib

from monitor.language.catalogue import RECORDED
from tests.language.catalogues import SPANISH
from tests.language.extraction import keys, recorded


def main() -> None:
    """Rewrite the file."""
    file = polib.pofile(str(SPANISH), wrapwidth=130)
    known = {entry.msgid: entry for entry in file}
    found = keys()
    file[:] = [known.get(key) or polib.POEntry(msgid=key, msgid_plural=many) for key, many in found.items()]
    of_records = recorded()
    for entry in file:
        entry.comment = RECORDED if entry.msgid in of_records else ""
        if entry.msgid_plural and not entry.msgstr_plural:
            entry.msgstr_plural = {0: "", 1: ""}
    file.save(str(SPANISH))
    for entry in file.untranslated_entries():
        print(entry.msgid)
    print(
        f"{len(found)} keys, {len(known.keys() - found.keys())} gone, {len(file.untranslated_entries())} to translate"
    )


main()
