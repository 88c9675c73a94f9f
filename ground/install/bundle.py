"""Several modules of a program become one, for a board on which each module costs memory of its own.

A module has a table of its names, an entry in its package's, its path and its dotted name as texts that are never given
back, and a second entry for whatever another module takes from it: some 300 bytes on the 64-bit port, forty times. The
modules that are in memory throughout a flight anyway are therefore put into one file, one behind the other in the order
in which they need each other. Names that two of them have become different ones. Syntax trees in and out.
"""

import ast
import string


def residents(trees, start, left_out):
    """Modules that importing `start` brings in, without those of `left_out` (whose imports are followed as well)."""
    found, waiting = set(), [start]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found.add(name)
        for node in trees[name].body:
            if isinstance(node, ast.ImportFrom):
                waiting += [other for other in _modules_of(node) if other in trees]
    return {name for name in found if name not in left_out and not _is_package(name, trees)}


def bundle(trees, members, name):
    """The same program with `members` in one module `name`.

    Parameters
    ----------
    trees : dict of str to ast.Module
        Changed in place where they import a member.
    members : collection of str
    name : str
        Of the new module; one of the program's packages has to be its parent.

    Returns
    -------
    dict of str to ast.Module

    Raises
    ------
    ValueError
        If somebody uses a member as an object.
    """
    spelt = {each.id for tree in trees.values() for each in ast.walk(tree) if isinstance(each, ast.Name)}
    pool = (f"_{text}" for text in _texts() if f"_{text}" not in spelt)
    body, imports = [], {}
    names = {}  # member -> what its names are called in the bundle
    taken = set()
    for member in _in_order(trees, members):
        tree = trees[member]
        names[member] = {own: next(pool) if own in taken else own for own in sorted(_defined(tree))}
        taken.update(names[member].values())
        outside = {}
        for node in tree.body:
            if _is_import(node) and getattr(node, "module", None) not in members:
                for alias in node.names:
                    key, local = _key(node, alias), alias.asname or alias.name
                    if key not in imports:
                        imports[key] = next(pool) if local in taken else local
                        taken.add(imports[key])
                        body.append(_single_import(node, alias, imports[key]))
                    outside[local] = imports[key]
        inside = _imported_inside(tree, pool)
        _Rename(names[member] | outside | inside | _taken_from(tree, names)).visit(tree)
        body += [node for node in tree.body if not _is_import(node) and not _is_docstring(node)]
    whole = {other: tree for other, tree in trees.items() if other not in members}
    whole[name] = ast.Module(body, [])
    for other, tree in whole.items():
        _redirect(other, tree, names, name)
    return whole


def _texts():
    """A, B, ... Aa, Ab, ...: the rest of the program has no such names."""
    yield from string.ascii_uppercase
    for first in string.ascii_uppercase:
        for second in string.ascii_lowercase:
            yield first + second


def _imported_inside(tree, pool):
    """What functions import gets names of its own: a board's compiler folds `_X = const(...)` wherever it reads _X."""
    fresh = {}
    for top in tree.body:
        if _is_import(top):
            continue
        for node in ast.walk(top):
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    local = alias.asname or alias.name
                    if local.startswith("_"):
                        if local not in fresh:
                            fresh[local] = next(pool)
                        alias.asname = fresh[local]
    return fresh


def _is_import(node):
    return isinstance(node, (ast.Import, ast.ImportFrom))


def _is_docstring(node):
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _key(node, alias):
    return getattr(node, "module", None), alias.name


def _single_import(node, alias, local):
    renamed = [ast.alias(alias.name, None if local == alias.name else local)]
    return ast.Import(renamed) if isinstance(node, ast.Import) else ast.ImportFrom(node.module, renamed, 0)


def _taken_from(tree, names):
    """What a member calls the names that it imports from others -> what they are called in the bundle."""
    return {
        alias.asname or alias.name: names[node.module][alias.name]
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module in names
        for alias in node.names
    }


def _redirect(other, tree, names, bundle_name):
    """Imports of members become imports of the bundle."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom):
            continue
        for alias in node.names:
            if f"{node.module}.{alias.name}" in names:
                raise ValueError(f"{other} imports the module {alias.name} as an object")
        if node.module in names:
            for alias in node.names:
                local = alias.asname or alias.name
                alias.name = names[node.module][alias.name]
                alias.asname = local if local != alias.name else None
            node.module = bundle_name


def _modules_of(node):
    return [node.module] + [f"{node.module}.{alias.name}" for alias in node.names]


def _is_package(name, trees):
    return any(other.startswith(name + ".") for other in trees)


def _in_order(trees, members):
    """Each member behind those that it imports."""
    done = []

    def add(name):
        if name in done:
            return
        for node in trees[name].body:
            if isinstance(node, ast.ImportFrom) and node.module in members:
                add(node.module)
        done.append(name)

    for name in sorted(members):
        add(name)
    return done


def _defined(tree):
    names = {node.name for node in tree.body if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    for node in ast.walk(ast.Module([n for n in tree.body if not isinstance(n, (ast.FunctionDef, ast.ClassDef))], [])):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            names.add(node.id)
    return names


class _Rename(ast.NodeTransformer):
    def __init__(self, names):
        self._names = names

    def visit_Name(self, node):
        node.id = self._names.get(node.id, node.id)
        return node

    def visit_FunctionDef(self, node):
        self.generic_visit(node)
        node.name = self._names.get(node.name, node.name) if not _is_method(node) else node.name
        return node

    def visit_ClassDef(self, node):
        for item in node.body:
            self.visit(item.value if isinstance(item, ast.Assign) else item)  # what it assigns to is the class's own
        node.name = self._names.get(node.name, node.name)
        return node


def _is_method(node):
    return bool(node.args.args) and node.args.args[0].arg == "self"
