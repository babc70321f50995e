"""The commands of lift and arc: what is typed reaches the job."""

from __future__ import annotations


def test_the_share_above_the_fork_reaches_the_job_of_the_arc(run, asked, sounds):
    kept = asked("torsionbeat.jobs.by_hand", "two_offsets")
    both = (str(sounds / "clock.flac"), str(sounds / "room.flac"))
    run("arc", *both, "--turned", "5", "--period", "6", "--share-above-fork", "0.4")
    run("arc", *both, "--turned", "5", "--period", "6")
    run("arc", *both, "--turned", "5", "--period", "6", "--keep-sides")
    run("arc", *both, "--turned", "5", "--period", "6", "--swap-sides")
    assert [one.turned_deg for one in kept] == [5.0] * 4
    assert [one.share_above_fork for one in kept] == [0.4, 1.0, 1.0, 1.0]
    assert [one.swap_sides for one in kept] == [None, None, False, True]


def test_counts_and_how_they_were_made_reach_the_job_of_the_lift(run, asked, sounds):
    kept = asked("torsionbeat.jobs.find_lift", "find_lift")
    sound = str(sounds / "clock.flac")
    run("lift", sound, "430", "390 at 12min", "--period", "6", "--free-swing")
    run("lift", sound, "430 within 5", "--clock", "Lamp", "--keep")
    assert [(one.arc_deg, one.at_s) for one in kept[0].counted] == [(430.0, None), (390.0, 720.0)]
    assert (kept[0].free_swing, kept[0].keep) == (True, False)
    assert (kept[1].counted[0].within_deg, kept[1].free_swing, kept[1].keep) == (5.0, False, True)
    refused = run("lift", sound, "much")
    assert refused.status == 2
    assert "counted is 'much'" in refused.err
