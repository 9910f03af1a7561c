"""The one base class of errors that are meant for the person at the keyboard."""


class UserError(Exception):
    """Something the user can mend. Its text says what is wrong, where, and what to do; no traceback is shown for it."""


def sentence_of(error: BaseException) -> str:
    """The text of an error, without the groups around it."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error) or type(error).__name__
