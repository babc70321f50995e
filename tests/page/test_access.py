"""Codes, sessions and tokens."""

from __future__ import annotations

from torsionbeat.page.access import CODE_LENGTH, CODE_LETTERS, TRIES, TRIES_PER_S, Access, Limit


def test_a_limit_allows_so_many_events_and_then_waits():
    now = [0.0]
    limit = Limit(3, 60.0, lambda: now[0])
    assert [limit.take() for _ in range(4)] == [True, True, True, False]
    now[0] = 59.9
    assert not limit.take()
    now[0] = 60.0
    assert limit.take()


def test_a_session_is_known_again_and_a_forged_one_is_not():
    access, other = Access(), Access()
    cookie = access.new_session()
    assert access.session(cookie) == cookie.partition(".")[0]
    assert access.session(cookie[:-1] + ("0" if cookie[-1] != "0" else "1")) == ""
    assert access.session("") == access.session(".") == access.session("x") == ""
    assert other.session(cookie) == ""


def test_a_token_belongs_to_its_session():
    access = Access()
    mine, yours = (access.session(access.new_session()) for _ in range(2))
    assert access.token_is_right(mine, access.token(mine))
    assert not access.token_is_right(mine, access.token(yours))
    assert not access.token_is_right(mine, "")
    assert not access.token_is_right("", access.token(""))


def test_a_code_lets_one_device_in_and_is_spent():
    told = []
    access = Access(True, told.append)
    first, second = (access.session(access.new_session()) for _ in range(2))
    assert not access.is_admitted(first, from_here=False)
    assert access.is_admitted(first, from_here=True)
    code = told[0]
    assert len(code) == CODE_LENGTH
    assert set(code) <= set(CODE_LETTERS)
    assert access.try_code(first, f" {code[:4].lower()}-{code[4:]} ")
    assert access.is_admitted(first, from_here=False)
    assert access.try_code(second, code) is False
    assert not access.is_admitted(second, from_here=False)
    assert len(told) == 2
    assert told[1] != code


def test_guessing_ends_after_a_few_tries_even_with_the_right_code():
    now, told = [0.0], []
    access = Access(True, told.append, lambda: now[0])
    session = access.session(access.new_session())
    assert [access.try_code(session, "WRONG") for _ in range(TRIES)] == [False] * TRIES
    assert access.try_code(session, told[0]) is None
    now[0] = TRIES_PER_S
    assert access.try_code(session, told[0]) is True


def test_no_code_is_asked_for_on_this_computer_alone():
    access = Access()
    assert access.is_admitted("", from_here=False)
    assert access.try_code("x", "") is None
