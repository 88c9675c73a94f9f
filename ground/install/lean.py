"""The firmware with the names that only people need taken out, for a board that keeps every name in memory.

MicroPython stores each attribute, parameter and global name of loaded code once, and never gives it back. A fifth of
the firmware's live memory would be such names: `_retry_at_ms`, `GNSS_ALTITUDE_LIMIT`. This module rewrites the sources
(as syntax trees, nothing is imported or run) before they are compiled:

- a constant that another module imports (`events.PHASE`, `from status import OK`) becomes its number;
- names that begin with an underscore, attributes and methods that only the program's own classes have, and parameters
  that no call names, become short names that modules share.

What the code does is unchanged: a test flies both forms and compares the card, byte for byte. Whatever the rules below
can't vouch for (a private name of another object, a class with bases, a name built from text) is refused, not guessed.
"""

import ast
import string

from ground.install.bundle import bundle
from ground.install.folding import Fold, constants_of, drop_constants, drop_hints_and_unused_imports, still_imported
from ground.install.names import (
    FOREIGN,
    is_private,
    is_self,
    names_in_calls,
    names_of,
    own_attributes,
    short_globals,
    short_names,
)


class NotLean(ValueError):
    """A source does something that shortening names could break; the message says where and what."""


def lean(sources, kept_modules=(), kept_names=(), bundled=None):
    """Shorten all modules of a program together.

    Parameters
    ----------
    sources : dict of str to str
        Module name (`firmware.core.phase`) to its text; every module that imports another one of these is among them.
    kept_modules : collection of str
        Modules whose classes others imitate: their public attributes keep their names everywhere.
    kept_names : collection of str
        Attributes that somebody outside the program asks for.
    bundled : (str, callable), optional
        The name of a module that is made of several others, and which: a function of all modules' trees.

    Returns
    -------
    dict of str to str
        The same modules, shortened.

    Raises
    ------
    NotLean
    """
    trees = {name: ast.parse(text, name) for name, text in sources.items()}
    constants = {name: constants_of(tree) for name, tree in trees.items()}
    for name, tree in trees.items():
        Fold(name, constants).visit(tree)
        drop_hints_and_unused_imports(tree, trees)
    unfolded = still_imported(trees)
    for name, tree in trees.items():
        drop_constants(tree, constants[name].keys() - unfolded[name])
    for name, tree in trees.items():
        _refuse_tricks(name, tree)
    kept = set(kept_names) | FOREIGN | set().union(*(own_attributes(trees[name]) for name in kept_modules))
    short = short_names(trees, kept)
    globals_ = short_globals(trees, short, kept)
    named = names_in_calls(trees)
    for name, tree in trees.items():
        _Shorten(name, trees, short, globals_, named).visit(tree)
    if bundled:
        trees = bundle(trees, bundled[1](trees), bundled[0])
    return {name: ast.unparse(ast.fix_missing_locations(tree)) for name, tree in trees.items()}


def _refuse_tricks(module, tree):
    for node in ast.walk(tree):
        where = f"{module}, line {getattr(node, 'lineno', '?')}"
        if isinstance(node, ast.ClassDef) and node.bases:
            raise NotLean(f"{where}: class {node.name} has bases; private names could meet")
        if isinstance(node, ast.Attribute) and is_private(node.attr) and not is_self(node.value):
            raise NotLean(f"{where}: {node.attr} of another object")
        if isinstance(node, (ast.Global, ast.Nonlocal)):
            raise NotLean(f"{where}: global or nonlocal")
        if isinstance(node, ast.ImportFrom) and any(is_private(alias.name) for alias in node.names):
            raise NotLean(f"{where}: a private name is imported")


def _known_globals(tree, trees, globals_):
    """What of the program's public globals a module defines or imports, also as attributes of imported modules.

    A name bound to an import of something else (`import time`) is not ours, whatever it is called.
    """
    known = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module in trees:
            known.update(
                alias.asname or alias.name for alias in node.names if f"{node.module}.{alias.name}" not in trees
            )
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            known.add(node.name)
        elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            known.add(node.targets[0].id)
    modules = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if f"{node.module}.{alias.name}" in trees
    }
    return {name: globals_[name] for name in known if name in globals_}, modules


class _Shorten(ast.NodeTransformer):
    def __init__(self, module, trees, short, globals_, named):
        tree = trees[module]
        self._module = module
        self._trees = trees
        self._short = short
        self._all_globals = globals_
        self._globals, self._modules = _known_globals(tree, trees, globals_)
        self._in_class = False
        self._named = named
        self._used = {name for node in ast.walk(tree) for name in names_of(node)}
        self._arguments = [{}]  # innermost function last: parameter -> short name

    def visit_Attribute(self, node):
        if isinstance(node.value, ast.Name) and node.value.id in self._modules:
            node.attr = self._all_globals.get(node.attr, node.attr)
            node.value = self.visit(node.value)  # a module may also be handed on as a parameter
            return node
        self.generic_visit(node)
        node.attr = self._short.get(node.attr, node.attr)
        return node

    def visit_ImportFrom(self, node):
        if node.module not in self._trees:
            return node
        for alias in node.names:
            if f"{node.module}.{alias.name}" in self._trees:
                continue  # a module, and those keep their names
            alias.name = self._all_globals.get(alias.name, alias.name)
            if alias.asname:
                alias.asname = self._globals.get(alias.asname, alias.asname)
        return node

    def visit_Name(self, node):
        node.id = self._arguments[-1].get(node.id) or self._global(node.id)
        return node

    def visit_ClassDef(self, node):
        node.name = self._global(node.name)
        self._in_class = True
        node.body = [self.visit(statement) for statement in node.body]
        self._in_class = False
        return node

    def visit_FunctionDef(self, node):
        is_method, self._in_class = self._in_class, False
        node.name = self._short.get(node.name, node.name) if is_method else self._global(node.name)
        node.args.defaults = [self.visit(default) for default in node.args.defaults]
        node.decorator_list = [self.visit(decorator) for decorator in node.decorator_list]
        self._arguments.append({**self._arguments[-1], **self._rename_arguments(node.args.args)})
        node.body = [self.visit(statement) for statement in node.body]
        self._arguments.pop()
        self._in_class = is_method
        return node

    def _global(self, name):
        return self._short.get(name, name) if is_private(name) else self._globals.get(name, name)

    def visit_Lambda(self, node):
        node.args.defaults = [self.visit(default) for default in node.args.defaults]
        self._arguments.append({**self._arguments[-1], **self._rename_arguments(node.args.args)})
        node.body = self.visit(node.body)
        self._arguments.pop()
        return node

    def _rename_arguments(self, arguments):
        depth = len(self._arguments)
        renamed = {}
        for number, argument in enumerate(arguments):
            short = string.ascii_lowercase[number] + (str(depth) if depth > 1 else "") + "_"
            if short in self._used:
                raise NotLean(f"{self._module}: {short} is a name of the source already")
            kept = argument.arg in self._named
            renamed[argument.arg] = argument.arg if kept else short
            argument.arg = renamed[argument.arg]
        return renamed
