from benchlab.pace import silent, words


def test_the_time_left_is_told_once_it_is_worth_telling():
    assert words("fitting", None, 20.0) == "fitting"
    assert words("fitting", 0.5, 0.2) == "fitting"
    assert words("fitting", 0.5, 20.0) == "fitting (about 20 s left)"
    assert words("fitting", 0.25, 100.0) == "fitting (about 5 min left)"  # three times 100 s
    assert words("fitting", 1.0, 20.0) == "fitting"


def test_silence_says_nothing():
    assert silent("fitting", 0.5) is None
