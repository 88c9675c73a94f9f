"""Constants of the firmware become numbers; what only people or CPython need is left out. Changes syntax trees."""

import ast
from collections import defaultdict
from contextlib import suppress


def constants_of(tree):
    """Public `NAME = const(number)` of a module."""
    found = {}
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and isinstance(node.targets[0], ast.Name):
            call = node.value
            if isinstance(call.func, ast.Name) and call.func.id == "const":
                with suppress(ValueError):  # an expression: the board's compiler folds it inside its own module
                    found[node.targets[0].id] = ast.literal_eval(call.args[0])
    return {name: value for name, value in found.items() if not name.startswith("_")}


class Fold(ast.NodeTransformer):
    """Imported constants of the program become numbers; inside its own module a constant is folded as well."""

    def __init__(self, module, constants):
        self._modules = {}  # local name -> module it stands for
        self._values = dict(constants[module])
        self._constants = constants

    def visit_ImportFrom(self, node):
        kept = []
        for alias in node.names:
            whole = f"{node.module}.{alias.name}"
            if whole in self._constants:
                self._modules[alias.asname or alias.name] = whole
            elif alias.name in self._constants.get(node.module, ()):
                self._values[alias.asname or alias.name] = self._constants[node.module][alias.name]
                continue
            kept.append(alias)
        node.names = kept
        return node if kept else ast.Pass()

    def visit_Attribute(self, node):
        self.generic_visit(node)
        if isinstance(node.value, ast.Name) and node.value.id in self._modules and isinstance(node.ctx, ast.Load):
            values = self._constants[self._modules[node.value.id]]
            if node.attr in values:
                return _number(values[node.attr])
        return node

    def visit_Name(self, node):
        if isinstance(node.ctx, ast.Load) and node.id in self._values:
            return _number(self._values[node.id])
        return node

    def visit_arg(self, node):
        node.annotation = None
        return node

    def visit_FunctionDef(self, node):
        node.returns = None
        return self.generic_visit(node)

    def visit_AnnAssign(self, node):
        self.generic_visit(node)
        return ast.Assign([node.target], node.value) if node.value else ast.Pass()


def drop_hints_and_unused_imports(tree, trees):
    """Without `if TYPE_CHECKING:` blocks, without imports that only constants were taken from, and without `const`.

    The board's compiler knows `const` by itself; the import is for CPython.
    """
    tree.body = [
        node
        for node in tree.body
        if not (isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING")
        and not (isinstance(node, ast.Assign) and ast.unparse(node) == "TYPE_CHECKING = False")
    ]
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)} - {"const"}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module.split(".")[0] in _packages(trees):
            node.names = [alias for alias in node.names if (alias.asname or alias.name) in used]
    tree.body = [node for node in tree.body if not (isinstance(node, ast.ImportFrom) and not node.names)]


def _packages(trees):
    return {name.split(".")[0] for name in trees}


def _number(value):
    return (
        ast.UnaryOp(ast.USub(), ast.Constant(-value)) if isinstance(value, int) and value < 0 else ast.Constant(value)
    )


def still_imported(trees):
    """Constants of each module that something takes by name in a way that was not folded."""
    left = defaultdict(set)
    for tree in trees.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module in trees:
                left[node.module].update(alias.name for alias in node.names)
    return left


def drop_constants(tree, names):
    def is_dropped(node):
        return isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id in names

    tree.body = [node for node in tree.body if not is_dropped(node)] or [ast.Pass()]
