from fluewright.errors import InputError, LedgerError


def test_each_face_calls_the_field_by_its_own_word() -> None:
    error = LedgerError("is empty; write a few words", field="reason")
    assert str(error) == "reason: is empty; write a few words"
    assert error.worded(lambda field: f"--{field.replace('_', '-')}") == "--reason: is empty; write a few words"


def test_a_problem_that_names_its_place_itself_stands_alone() -> None:
    error = InputError("the file is empty")
    assert str(error) == "the file is empty"
    assert error.worded(lambda field: "never asked") == "the file is empty"
