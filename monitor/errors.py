"""The one base class of errors that are meant for the person at the keyboard."""


class UserError(Exception):
    """Something the user can mend. Its text says what is wrong, where, and what to do; no traceback is shown for it."""
