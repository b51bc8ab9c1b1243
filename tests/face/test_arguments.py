"""Calls read well: after the second argument everything is named."""

import inspect

import pytest
from test_public_names import RESULTS, VERBS

import fluewright as fw

POSITIONAL = (inspect.Parameter.POSITIONAL_ONLY, inspect.Parameter.POSITIONAL_OR_KEYWORD)


def calls():
    for name in VERBS:
        yield name, getattr(fw, name), 0
    for name in RESULTS:
        owner = getattr(fw, name)
        yield name, owner, 0
        for method, made in inspect.getmembers(owner, inspect.isfunction):
            if not method.startswith("_"):
                yield f"{name}.{method}", made, 1


@pytest.mark.parametrize(("name", "call", "own"), list(calls()), ids=lambda v: v if isinstance(v, str) else "")
def test_after_the_second_argument_everything_is_named(name, call, own):
    parameters = list(inspect.signature(call).parameters.values())
    by_place = [p.name for p in parameters if p.kind in POSITIONAL]
    assert len(by_place) - own <= 2, by_place
    assert not [p for p in parameters if p.kind is inspect.Parameter.VAR_POSITIONAL]


def test_results_that_hold_more_than_two_things_are_made_by_name():
    with pytest.raises(TypeError):
        fw.PlayedSound(None, (), None)


@pytest.mark.parametrize("verb", VERBS)
def test_every_argument_is_typed_and_lengths_carry_their_unit(verb):
    signature = inspect.signature(getattr(fw, verb))
    for p in signature.parameters.values():
        assert p.annotation is not inspect.Parameter.empty, p
    assert signature.return_annotation is not inspect.Signature.empty
