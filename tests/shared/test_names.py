from shared.names import distinct


def test_names_stay_as_they_are_until_two_would_be_one_file():
    assert distinct(["a", "b"]) == ["a", "b"]
    assert distinct(["3-4", "3-4", "3-4-2", "3-4"]) == ["3-4", "3-4-2", "3-4-2-2", "3-4-3"]


def test_capitals_and_ways_to_write_an_accent_make_no_second_name():
    assert distinct(["Intake", "intake"]) == ["Intake", "intake-2"]
    assert distinct(["caf\u00e9", "cafe\u0301"]) == ["caf\u00e9", "cafe\u0301-2"]
