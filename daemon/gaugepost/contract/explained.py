"""What settings say about themselves: the docstrings under their fields, read when somebody asks.

A model can read them for itself (pydantic's `use_attribute_docstrings`), which costs every start 50 ms.
"""

from __future__ import annotations

import ast
import inspect
import textwrap

from pydantic import BaseModel


def explanations(model: type[BaseModel]) -> dict[str, str]:
    """Return the words of each field that has some, by the field's name: its description, or the docstring under it.

    A class whose source is not at hand has descriptions only.
    """
    told: dict[str, str] = {}
    for owner in reversed(model.__mro__):
        if issubclass(owner, BaseModel) and owner is not BaseModel:
            told |= _docstrings(owner)
    described = {name: field.description for name, field in model.model_fields.items() if field.description}
    return {name: words for name, words in (told | described).items() if name in model.model_fields}


def _docstrings(model: type[BaseModel]) -> dict[str, str]:
    try:
        source = inspect.getsource(model)
    except (OSError, TypeError):  # made while running, or shipped without its source
        return {}
    (definition,) = ast.parse(textwrap.dedent(source)).body
    found: dict[str, str] = {}
    if isinstance(definition, ast.ClassDef):
        for field, words in zip(definition.body, definition.body[1:], strict=False):
            match field, words:
                case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(text))):
                    found[name] = inspect.cleandoc(text)
    return found
