"""The words that people read, in their language. English is the key: it stands in the source and in every record, and a
catalogue (`es.po`, or a site's own) gives what is shown in its place. What a catalogue lacks is shown in English.

Imports errors and text only. Begin with `words.tr`; `catalogue` reads the files. Nothing that is recorded goes through here:
neither core nor adapters import this package.
"""

from monitor.language.words import english, msgid, tr, tr_n, tr_record

__all__ = ["english", "msgid", "tr", "tr_n", "tr_record"]
