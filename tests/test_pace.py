from benchlab.pace import paced, silent, words


def told(*steps, seconds):
    heard = []
    tell = paced(lambda what, share=None: heard.append((what, share)), seconds)
    for step in steps:
        tell(step)
    return heard


def test_each_piece_is_told_with_the_share_that_is_done_before_it():
    heard = told("read", "fit", "draw", seconds={"read": 1.0, "fit": 2.0, "draw": 1.0})
    assert heard == [("read", 0.0), ("fit", 0.25), ("draw", 0.75)]


def test_a_piece_that_nobody_announced_takes_no_time():
    assert told("read", "look", "fit", seconds={"read": 1.0, "fit": 1.0}) == [("read", 0), ("look", 0.5), ("fit", 0.5)]


def test_nothing_announced_is_no_share_of_anything():
    assert told("read", seconds={}) == [("read", 0.0)]


def test_the_time_left_is_told_once_it_is_worth_telling():
    assert words("fitting", None, 20.0) == "fitting"
    assert words("fitting", 0.5, 0.2) == "fitting"
    assert words("fitting", 0.5, 20.0) == "fitting (about 20 s left)"
    assert words("fitting", 0.25, 100.0) == "fitting (about 5 min left)"  # three times 100 s
    assert words("fitting", 1.0, 20.0) == "fitting"


def test_silence_says_nothing():
    assert silent("fitting", 0.5) is None
