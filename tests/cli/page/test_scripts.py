"""The page's own scripts, read without a browser: syntax, strictness, declared names, and nothing that makes markup.

No build step and no bundler: each file is a plain script, and those of one page share their top-level names. The
grammar of a general-purpose parser reads them, so that a slip shows before any browser runs.
"""

import re
from pathlib import Path

import pytest
import tree_sitter_javascript
from tree_sitter import Language, Parser

import tiltwright.page
from tiltwright.page.assemble import FIT_SCRIPTS, SETUP_SCRIPTS, _compact

ROOM = Path(tiltwright.page.__file__).parent
FILES = sorted(ROOM.glob("*.js"))
PAGES = {"setup": SETUP_SCRIPTS, "fit": FIT_SCRIPTS}
LONGEST_FILE, LONGEST_LINE = 300, 180

OF_THE_BROWSER = {
    *(
        "document",
        "Math",
        "Number",
        "String",
        "Object",
        "Array",
        "Boolean",
        "Set",
        "Map",
        "JSON",
        "BigInt",
        "NaN",
        "undefined",
    ),
    *(
        "Float32Array",
        "Uint8Array",
        "Uint32Array",
        "Uint8ClampedArray",
        "ImageData",
        "atob",
        "parseFloat",
        "isFinite",
    ),
    *(
        "addEventListener",
        "requestAnimationFrame",
        "setTimeout",
        "clearTimeout",
        "getComputedStyle",
        "devicePixelRatio",
    ),
}
"""All that the scripts may use without declaring it: no network, no storage, no evaluation of text."""

PARSER = Parser(Language(tree_sitter_javascript.language()))
DECLARES = {"variable_declarator": "name", "function_declaration": "name", "class_declaration": "name"}
SCOPES = {
    "program",
    "function_declaration",
    "arrow_function",
    "method_definition",
    "statement_block",
    "for_statement",
    "for_in_statement",
    "class_body",
    "catch_clause",
    "function_expression",
}


def tree_of(path):
    return PARSER.parse(path.read_bytes()).root_node


def nodes(node):
    yield node
    for child in node.children:
        yield from nodes(child)


def names_in(pattern):
    """The names that a pattern binds."""
    if pattern.type in ("identifier", "shorthand_property_identifier_pattern"):
        return {pattern.text.decode()}
    if pattern.type == "pair_pattern":
        return names_in(pattern.child_by_field_name("value"))
    if pattern.type in ("assignment_pattern", "object_assignment_pattern"):
        return names_in(pattern.child_by_field_name("left"))
    return {name for child in pattern.named_children for name in names_in(child)}


def declared(scope):
    """The names that a scope itself declares, its parameters included."""
    found = set()
    for field in ("parameters", "parameter"):
        parameters = scope.child_by_field_name(field)
        if parameters is not None:
            found |= names_in(parameters)
    if scope.type == "for_in_statement":
        found |= names_in(scope.child_by_field_name("left"))

    def visit(node):
        for child in node.named_children:
            if child.type in DECLARES:
                found.update(names_in(child.child_by_field_name("name")))
            if child.type not in SCOPES:
                visit(child)

    visit(scope)
    return found


def undeclared(scope, known):
    """Names that are used and declared nowhere around."""
    known = known | declared(scope)
    loose = set()

    def visit(node):
        for child in node.children:
            if child.type in SCOPES:
                loose.update(undeclared(child, known))
                continue
            if (
                child.type in ("identifier", "shorthand_property_identifier")
                and child.text.decode() not in known
            ):
                loose.add(child.text.decode())
            visit(child)

    visit(scope)
    return loose


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_it_is_sound_strict_and_short(path):
    text = path.read_text(encoding="utf-8")
    assert not tree_of(path).has_error
    assert text.startswith('"use strict";\n')
    assert text.endswith("\n")
    assert len(text.splitlines()) <= LONGEST_FILE
    assert [line for line in text.splitlines() if len(line) > LONGEST_LINE or line != line.rstrip()] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_nothing_makes_markup_or_leaves_the_page(path):
    words = {node.text.decode() for node in nodes(tree_of(path)) if "identifier" in node.type}
    forbidden = {
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "eval",
        "Function",
        "write",
        "writeln",
        "fetch",
        "XMLHttpRequest",
    }
    forbidden |= {
        "WebSocket",
        "EventSource",
        "sendBeacon",
        "Image",
        "importScripts",
        "localStorage",
        "sessionStorage",
        "cookie",
    }
    assert not words & forbidden
    assert not [node for node in nodes(tree_of(path)) if node.type == "variable_declaration"], "var"
    assert not [node for node in nodes(tree_of(path)) if node.type in ("==", "!=")]


@pytest.mark.parametrize("page", PAGES)
def test_every_name_is_declared_once_and_used(page):
    trees = {name: tree_of(ROOM / name) for name in PAGES[page]}
    own = {name: declared(tree) for name, tree in trees.items()}
    listed = [one for names in own.values() for one in names]
    assert sorted(listed) == sorted(set(listed))
    shared = set(listed) | OF_THE_BROWSER
    assert {name: loose for name, tree in trees.items() if (loose := undeclared(tree, shared))} == {}


def test_no_name_is_idle():
    """Every function and constant of the shared files is used somewhere beyond its own declaration."""
    everything = "\n".join(path.read_text(encoding="utf-8") for path in FILES)
    top = {name for path in FILES for name in declared(tree_of(path))}
    assert [
        name for name in sorted(top - {"shownPage"}) if len(re.findall(rf"\b{name}\b", everything)) < 2
    ] == []


def test_no_script_is_left_out():
    assert {path.name for path in FILES} == set(SETUP_SCRIPTS) | set(FIT_SCRIPTS)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_what_is_left_out_on_the_way_is_comments_and_space(path):
    def leaves(text):
        tree = PARSER.parse(text.encode()).root_node
        assert not tree.has_error
        return [
            n.text.strip() for n in nodes(tree) if not n.children and n.type != "comment" and n.text.strip()
        ]

    text = path.read_text(encoding="utf-8")
    assert leaves(_compact(text)) == leaves(text)


def test_what_must_be_noticed_is_noticed():
    """The check itself: a misspelt name, a name of the network, a name declared in a neighbour's function."""
    text = b"function f(a) { const b = a + c; for (const d of b) { e(d); } return ({g: 1}).h; }"
    assert undeclared(PARSER.parse(text).root_node, set()) == {"c", "e"}
    text = b"const x = ({p, q: [r], ...s}) => p + q + r + s; { const y = 1; } y();"
    assert undeclared(PARSER.parse(text).root_node, set()) == {"q", "y"}
