"""The page on security names every package that is installed with the program, under the licence it states."""

import importlib.metadata
import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "security.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
# Extras that a user installs; the others are for work on the program itself.
FOR_USERS = ("web", "papers")


def wanted_packages():
    """Return the extra that asks for each package, empty where all users get it."""
    groups = {"": PROJECT["dependencies"]} | {extra: PROJECT["optional-dependencies"][extra] for extra in FOR_USERS}
    return {re.match(r"[A-Za-z0-9._-]+", d)[0].lower(): extra for extra, group in groups.items() for d in group}


def rows_of_page():
    table = PAGE.partition("<!-- licences -->")[2].partition("\n\n## ")[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines() if line.startswith("|")
    ]
    return {name: (extra, licence) for name, extra, licence in rows[2:]}


def stated_licence(package):
    """Return what a package states of its licence: an SPDX expression, else its classifier, else a short text."""
    about = importlib.metadata.metadata(package)
    if about.get("License-Expression"):
        return about["License-Expression"]
    classified = [c.rpartition(" :: ")[2] for c in about.get_all("Classifier") or () if c.startswith("License :: ")]
    return (classified[0] if classified else about["License"]).removesuffix(" License")


def test_every_package_for_users_stands_in_the_table_with_its_extra():
    assert {name: extra for name, (extra, _) in rows_of_page().items()} == wanted_packages()


def test_every_licence_is_the_one_that_the_package_states():
    assert {name: licence for name, (_, licence) in rows_of_page().items()} == {
        name: stated_licence(name) for name in wanted_packages()
    }


def test_extras_for_users_are_all_there_are():
    """An extra that the one called ``all`` holds is for users."""
    (everything,) = PROJECT["optional-dependencies"]["all"]
    assert set(re.search(r"\[(.*)\]", everything)[1].split(",")) == set(FOR_USERS)


def test_the_page_is_linked():
    for page in ("README.md", "docs/guide.md"):
        assert "security.md" in (ROOT / page).read_text(encoding="utf-8"), page


def test_the_limits_on_the_page_are_those_of_the_program():
    from fluewright.instrument.files import LARGEST_BYTES
    from fluewright.toml_text import DEEPEST, LONGEST_LINE, LONGEST_WORD

    told = re.search(r"(\d+) KiB, lines of ([\d ]+) letters, words of (\d+), keys of (\d+) parts, brackets (\d+)", PAGE)
    numbers = [int(number.replace(" ", "")) for number in told.groups()]
    assert numbers == [LARGEST_BYTES // 1024, LONGEST_LINE, LONGEST_WORD, DEEPEST, DEEPEST]
