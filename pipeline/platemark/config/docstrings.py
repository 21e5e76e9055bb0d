"""What stands below a setting in its model: read only when something is wrong with it, as reading source takes time."""

import ast
import inspect
import textwrap
from functools import lru_cache

from pydantic import BaseModel


@lru_cache
def docstrings_of(model: type[BaseModel]) -> dict[str, str]:
    """Return the text below each setting of a model, on one line; nothing where its source is not at hand."""
    try:
        source = textwrap.dedent(inspect.getsource(model))
    except (OSError, TypeError):
        return {}
    body = ast.parse(source).body[0]
    if not isinstance(body, ast.ClassDef):
        return {}
    return {
        above.target.id: " ".join(str(below.value.value).split())
        for above, below in zip(body.body, body.body[1:], strict=False)
        if isinstance(above, ast.AnnAssign) and isinstance(above.target, ast.Name)
        if isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant)
    }
