"""Which names of a program may be shortened, and to what, so that no two that can meet become one."""

import ast
import io
import itertools
import string
from collections import Counter, defaultdict

_SHORT = ["_" + a + b for a, b in itertools.product(["", *string.ascii_lowercase], string.ascii_lowercase)]

# What objects of MicroPython, of the hardware and of its file systems are asked for by name (library reference of
# MicroPython: machine, onewire, vfs): a name of ours that is also one of these keeps its length.
FOREIGN = set(
    """value on off init deinit low high toggle irq mode pull read_u16 feed any read readinto readline write flush
    txdone readfrom readfrom_into readfrom_mem readfrom_mem_into writeto writeto_mem writevto scan start stop
    write_readinto reset readbit readbyte writebit writebyte select_rom crc8 readblocks writeblocks ioctl open close
    seek tell ilistdir listdir stat statvfs mkfs mount umount remove rename errno args""".split()
).union(*map(dir, (str, bytes, bytearray, memoryview, list, tuple, dict, set, int, float, io.FileIO, OSError)))


def is_private(name):
    return name.startswith("_") and not name.startswith("__") and name != "_"


def is_self(node):
    return isinstance(node, ast.Name) and node.id == "self"


def own_attributes(tree):
    """Public methods, and attributes of `self`, that the classes of a module define."""
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            names.update(item.name for item in node.body if isinstance(item, ast.FunctionDef))
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store) and is_self(node.value):
            names.add(node.attr)
    return {name for name in names if not name.startswith("_")}


def shared_attributes(trees, kept):
    """Public attributes that only the program's own classes have."""
    names = set().union(*map(own_attributes, trees.values())) - kept
    for tree in trees.values():
        imports = [node for node in ast.walk(tree) if isinstance(node, (ast.Import, ast.ImportFrom))]
        modules = {alias.asname or alias.name for node in imports for alias in node.names}
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
                names.discard(node.attr)  # gc.collect, say
            elif is_text(node):
                names.discard(node.value)  # hasattr(bus, "clear")
    return names


def short_names(trees, kept):
    """Private name or shared attribute -> short name; the commonest get the shortest.

    Names get the same short one unless a module has both, be it as its own or as attributes of its classes' objects.
    """
    shared = shared_attributes(trees, kept)
    owners = defaultdict(set)
    counts = Counter()
    for module, tree in trees.items():
        for name in own_attributes(tree) & shared:
            owners[name].add(module)
        for node in ast.walk(tree):
            for name in names_of(node):
                counts[name] += 1
                if is_private(name):
                    owners[name].add(module)
    pool = [name for name in _SHORT if name not in counts]
    taken = defaultdict(set)
    short = {}
    for name in sorted(owners, key=lambda name: (-counts[name], name)):
        short[name] = next(s for s in pool if not any(s in taken[module] for module in owners[name]))
        for module in owners[name]:
            taken[module].add(short[name])
    return short


def short_globals(trees, short, kept):
    """Public function, class or variable of a module -> short name, the same wherever it is defined or imported."""
    owners = defaultdict(set)
    counts = Counter(name for tree in trees.values() for node in ast.walk(tree) for name in names_of(node))
    spelt = {node.value for tree in trees.values() for node in ast.walk(tree) if is_text(node)}
    for module, tree in trees.items():
        for node in tree.body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                owners[node.name].add(module)
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                owners[node.targets[0].id].add(module)
    own = set(owners)
    for module, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module in trees:
                for alias in node.names:
                    owners[alias.name].add(module)
    names = sorted((n for n in own if not n.startswith("_") and n not in kept | spelt), key=lambda n: (-counts[n], n))
    pool = [name for name in _SHORT if name not in counts]
    taken = defaultdict(set)  # private globals have short names already
    for module, tree in trees.items():
        taken[module] = {short[name] for node in ast.walk(tree) for name in names_of(node) if name in short}
    globals_ = {}
    for name in names:
        globals_[name] = next(s for s in pool if not any(s in taken[module] for module in owners[name]))
        for module in owners[name]:
            taken[module].add(globals_[name])
    return globals_


def is_text(node):
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def names_of(node):
    if isinstance(node, ast.Name):
        return (node.id,)
    if isinstance(node, ast.Attribute):
        return (node.attr,)
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        return (node.name,)
    if isinstance(node, ast.arg):
        return (node.arg,)
    return ()


def names_in_calls(trees):
    """Parameter names that some call spells out (`value=0`), and `self`, which is one name anyway."""
    spelt = {"self"}
    for tree in trees.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.keyword) and node.arg:
                spelt.add(node.arg)
    return spelt
