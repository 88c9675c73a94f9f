"""The one exception that a wrong input raises, and what its message owes the reader."""


class InputError(Exception):
    """Something the user gave us cannot be used.

    The message is a single line that says what is wrong, where, and what to do next. The command line prints it
    as it stands and exits with status 1; nothing has been written or overwritten when it is raised.
    """
