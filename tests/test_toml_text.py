"""TOML that would take the parser minutes or gigabytes is refused before it; all other TOML is read as ever."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import InputError
from fluewright.toml_text import DEEPEST, LONGEST_LINE, LONGEST_WORD, toml_data

DOTTED = ".".join(["a"] * 20_000)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f"{DOTTED} = 1", "the key a.a.a.* has 20000 parts, above the 8 that a key may have; shorten it"),
        (f"x = 1\n[{DOTTED}]", "line 2: the key a.a.a.* has 20000 parts"),
        (f"[[{DOTTED}]]", "has 20000 parts"),
        (f"a = {{{DOTTED} = 1}}", "has 20000 parts"),
        ("x = '''\n\n'''\n" + " . ".join(['"a"'] * 5000) + " = 1", "line 4: .* has 5000 parts"),
        ("\t.\t".join(["'a'"] * 9) + " = 1", "has 9 parts"),
        ("a = " + "[" * 60_000, "line 1: brackets are nested more than 8 deep"),
        ("a = " + "{a = " * 9, "brackets are nested more than 8 deep"),
        ("a = [\n" * 9, "line 9: brackets are nested"),
        ("a = " + "1_" * 30_000 + "1", "line 1: 1_1_.* has 60001 letters or digits, above the 100"),
        ("k" * 101 + " = 1", "line 1: kkk.* has 101 letters or digits"),
        ('a = "' + "x" * LONGEST_LINE, "line 1 has 65541 letters, above the 65536 .* begins with a = .*; break it"),
        ("a = \n", "is not valid TOML: .*line 1, column 5"),
        ('a = "\\ud800"', "is not valid TOML"),
        ("a = 1\na = 2", "is not valid TOML: Cannot overwrite"),
        ("\x1b[31m = 1", "is not valid TOML"),
    ],
    ids=lambda value: value[:20] if isinstance(value, str) else None,
)
def test_what_cannot_be_read_with_ease_is_refused_with_line_and_limit(text, says):
    with pytest.raises(InputError, match=says) as refused:
        toml_data(text)
    assert str(refused.value).isprintable()
    assert len(str(refused.value)) < 300


@pytest.mark.parametrize(
    "text",
    [
        ".".join("a" * DEEPEST) + " = 1",
        "a = " + "[" * DEEPEST + "]" * DEEPEST,
        "k" * LONGEST_WORD + " = 1",
        f'a = "{DOTTED}"',
        f"a = '{DOTTED}'  # {'[' * 20_000}",
        f'a = """{DOTTED}"""""\nb = 1',
        f"a = '''\n{DOTTED}\n{'[' * 60_000}'''''\nb = 1",
        'a = """\\""" [[[[[[[[[[ a.b.c.d.e.f.g.h.i.j.k """',
        r'''a = "\"[[[[[[[[[[[" # "''',
        'a = "\\\\"\nb = 1.5\nc = [1.25, 2.5, 3.75]\r\nd = 1979-05-27T07:32:00.5Z',
        "a = []\n" + "\n".join(f"b{n} = [[1, 2], [3, 4]]" for n in range(50)),
    ],
    ids=lambda text: text[:20],
)
def test_what_is_long_within_quotes_or_a_comment_is_read(text):
    assert toml_data(text) == tomllib.loads(text.replace("\r\n", "\n"))


@given(st.text(alphabet="ab.=[]{}\"'\\#, \n1_-", max_size=120))
def test_odd_texts_are_read_as_the_parser_reads_them(text):
    """The limits see strings and comments where the parser does: nothing small is refused that it takes."""
    try:
        wanted = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        wanted = None
    try:
        found = toml_data(text)
    except InputError as error:
        found = None if "is not valid TOML" in str(error) else str(error)
    if isinstance(found, str):
        assert "parts" in found or "deep" in found
        assert text.count(".") >= DEEPEST or text.count("[") + text.count("{") > DEEPEST
    else:
        assert found == wanted
