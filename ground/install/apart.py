"""Constants of a module that share their short name with something a function imports.

The board's compiler puts a private constant's number wherever its name stands in the module, also where a function has
imported something else under that name. Python would not; so such constants get a name of their own here.
"""

import ast


def constants_apart(text):
    """The module's text with every such constant renamed."""
    tree = ast.parse(text)
    taken = {name for node in ast.walk(tree) for name in _imported(node)} & _constants(tree)
    if not taken:
        return text
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)} | taken
    names = {}
    for name in sorted(taken):
        fresh = next(f"_K{number}" for number in range(1000) if f"_K{number}" not in used)
        used.add(fresh)
        names[name] = fresh
    _Rename(names).visit(tree)
    return ast.unparse(tree)


def _constants(tree):
    """Names of `NAME = const(...)`."""
    return {
        node.targets[0].id
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Call)
        and isinstance(node.value.func, ast.Name)
        and node.value.func.id == "const"
    }


def _imported(node):
    """Names that an import binds."""
    if isinstance(node, (ast.Import, ast.ImportFrom)):
        return {alias.asname or alias.name for alias in node.names}
    return set()


class _Rename(ast.NodeTransformer):
    """The constants, but not what a function imported under their names."""

    def __init__(self, names):
        self._names = names

    def visit_FunctionDef(self, node):
        own = {name for inner in ast.walk(node) for name in _imported(inner)}
        outer, self._names = self._names, {name: new for name, new in self._names.items() if name not in own}
        self.generic_visit(node)
        self._names = outer
        return node

    def visit_Name(self, node):
        node.id = self._names.get(node.id, node.id)
        return node
