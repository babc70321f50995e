"""Deliberate faults in the rooms that keep, hear and hand on, for ``mutants.py``: see ``faults.py``."""

from __future__ import annotations

from fault import Fault, of

FAULTS: list[Fault] = [
    # benchlog
    *of(
        "benchlog/answers.py",
        "benchlog/test_answers.py",
        notes_by_number=(
            "key=lambda row: (row.written_at, row.id))",
            "key=lambda row: (row.id, row.written_at))",
        ),
        hand_checks_by_number=("key=lambda row: (row.checked_at, row.id))", "key=lambda row: row.id)"),
        readings_backwards=(
            "return sorted(wanted, key=lambda row: (row.taken_at, row.id))",
            "return sorted(wanted, key=lambda row: (row.taken_at, -row.id))",
        ),
        retracted_readings_stand=(
            "if (retracted or row.retracted_at is None) and (superseded or row.id not in gone)",
            "if (superseded or row.id not in gone)",
        ),
        overtaken_readings_stand=(
            "if (retracted or row.retracted_at is None) and (superseded or row.id not in gone)",
            "if (retracted or row.retracted_at is None)",
        ),
        retracted_entries_stand=(
            "[row for row in rows if retracted or row.retracted_at is None]",
            "[row for row in rows]",
        ),
        trial_of_a_work_taken_back=("if row.work_id in works and {", "if {"),
        trial_of_a_reading_taken_back=(
            "and {row.reading_id, row.reading_before_id} <= readings",
            "and {row.reading_id} <= readings",
        ),
        earliest_for_the_last=("numbers.append(max(standing, key", "numbers.append(min(standing, key"),
        count_of_all_readings=("counts[clock_id] = len(standing)", "counts[clock_id] = len(mine)"),
        last_of_those_taken_back=(
            "standing = [row for row in mine if row.retracted_at is None and row.id not in gone]",
            "standing = [row for row in mine if row.id not in gone]",
        ),
        clocks_with_capitals_first=("(record.name.casefold(), record.name)", "(record.name, record.name)"),
    ),
    *of(
        "benchlog/corrections.py",
        "benchlog/test_corrections.py",
        taken_back_twice=(
            "row = entry(session, clock, kind, number)\n    if row.retracted_at is not None:\n        raise InputError("
            '\n            f"{kind} {number} of {clock.name!r} was taken back already',
            "row = entry(session, clock, kind, number)\n    if False:\n        raise InputError("
            '\n            f"{kind} {number} of {clock.name!r} was taken back already',
        ),
        nothing_settled_after_taking_back=(
            'trail(session, clock, "undo", row, row.retracted_because)\n    settle(session, clock)',
            'trail(session, clock, "undo", row, row.retracted_because)',
        ),
        another_clock_s_entry=("if row is None or row.clock_id != clock.id:", "if row is None:"),
        beyond_the_travel_at_both_ends_only=(
            "(low is not None and setting < low) or (high",
            "(low is not None and setting < low) and (high",
        ),
        end_of_the_travel_excluded=(
            "high is not None and setting > high",
            "high is not None and setting >= high",
        ),
        travel_not_watched=(
            "settle(session, clock, within_travel=True)\n    return row",
            "settle(session, clock)\n    return row",
        ),
        details_replaced_whole=("laid = {**row.details, **value} if", "laid = {**value} if"),
        none_is_kept_as_a_detail=(
            "for key, one in laid.items() if one is not None}",
            "for key, one in laid.items()}",
        ),
        trail_of_what_stayed=(
            "for name in wanted if getattr(row, name) != wanted[name]}",
            "for name in wanted}",
        ),
        stated_after_no_works=(
            '{"value": fields[name], "after_works": works}',
            '{"value": fields[name], "after_works": 0}',
        ),
        clock_back_and_forth=(
            "if (clock.retracted_at is None) == back:",
            "if (clock.retracted_at is None) != back:",
        ),
    ),
    *of(
        "benchlog/doubles.py",
        "benchlog/test_doubles.py",
        heard_at_the_edge=("<= heard <= max(one, other)", "< heard < max(one, other)"),
        the_first_bare_one=("one for one in reversed(bare) if", "one for one in bare if"),
        an_hour_included=("abs(one.done_at - when) < SAME_HOUR", "abs(one.done_at - when) <= SAME_HOUR"),
        alike_whatever_the_amount=(
            "and _amount(typed(one.details), kind) == amount",
            "and True",
        ),
        settings_worked_out_compared=(
            "and typed(one.details) == typed(details)",
            "and one.details == dict(details)",
        ),
        the_earliest_alike=("for one in reversed(works)", "for one in works"),
        same_whatever_the_moment=("            and one.done_at == at.astimezone(UTC)\n", ""),
        one_amount_of_all=(
            "any(name in details for name in AMOUNTS[kind])",
            "all(name in details for name in AMOUNTS[kind])",
        ),
    ),
    *of(
        "benchlog/standing.py",
        "benchlog/test_standing.py",
        fewer_beats_count=(
            "key=lambda row: -(row.beats_heard or 0)",
            "key=lambda row: (row.beats_heard or 0)",
        ),
        touching_stretches_overlap=(
            "row.taken_at < one.taken_at + timedelta(seconds=one.duration_s or 0)",
            "row.taken_at <= one.taken_at + timedelta(seconds=one.duration_s or 0)",
        ),
        works_before_it_was_stated=('[int(said.get("after_works", 0)) :]', "[0:]"),
        works_taken_back_move=(
            "standing = [work for work in kept if work.retracted_at is None]",
            "standing = kept",
        ),
        weights_below_nothing=("value = max(value + grams, 0.0)", "value = value + grams"),
        moves_the_other_way=("value = before + moved", "value = before - moved"),
        works_by_number=(
            "sorted(standing, key=lambda work: (work.done_at, work.id))",
            "sorted(standing, key=lambda work: work.id)",
        ),
    ),
    # sound
    *of(
        "sound/journal.py",
        "sound/test_journal.py",
        begun_after_the_first_row=("known[3] - round(1e9 * known[1]", "known[3] + round(1e9 * known[1]"),
        rate_left_out_of_the_beginning=(
            "round(1e9 * known[1] / sample_rate_hz)",
            "round(1e9 * known[1] / 48_000)",
        ),
        pace_without_slack=("rate_hz * (4 * seconds + SLACK_S)", "rate_hz * (4 * seconds)"),
        pace_of_five=("rate_hz * (4 * seconds + SLACK_S)", "rate_hz * (5 * seconds + SLACK_S)"),
        rows_of_the_same_moment=("return seconds > 0 and 0 < frames", "return seconds >= 0 and 0 <= frames"),
        never_unsynchronised=("False if False in said else True", "True if True in said else True"),
        host_before_reference=(
            "if self.reference is not None:\n            return self.reference",
            "if False:\n            return self.reference",
        ),
        identity_with_the_raw_clock=("self.rows[0][:4])", "self.rows[0])"),
        fewest_doubled_frames=(
            "self.doubled_frames = max(self.doubled_frames, ",
            "self.doubled_frames = min(self.doubled_frames, ",
        ),
        gap_ends_nothing=(
            "self.last_frame = max(self.last_frame, gap[1])",
            "self.last_frame = max(self.last_frame, gap[0])",
        ),
        torn_line_joined=('line = b"\\n" + line', "line = line"),
    ),
    *of(
        "sound/timebase.py",
        "sound/test_timebase.py",
        hidden_losses_whole=("(0.5 * kept_s + 1.5 * taken_s)", "(1.5 * kept_s + 1.5 * taken_s)"),
        losses_taken_out_counted_always=(
            "max(fit.least_step_s - READINGS_LOSS_S, 0.0) if fit.steps else 0.0",
            "max(fit.least_step_s - READINGS_LOSS_S, 0.0)",
        ),
        asleep_at_any_step=("SUSPENDED_S + 2e-6 * SLEW_PPM", "0.0 * SUSPENDED_S + 2e-6 * SLEW_PPM"),
        clock_day_backwards=("np.diff(table[:, 3] - table[:, 2])", "np.diff(table[:, 2] - table[:, 3])"),
    ),
    *of(
        "sound/hostfit.py",
        "sound/test_hostfit.py",
        steps_downward=(
            "row: _height(level_s[row : min(row + LEVEL_ROWS, end)])\n        - _height",
            "row: -_height(level_s[row : min(row + LEVEL_ROWS, end)])\n        + _height",
        ),
        slope_not_taken_out_of_steps=("= (rise - outer)[at < len(step)]", "= rise[at < len(step)]"),
        least_step_of_a_tenth=("LEAST_STEP_S = 0.003", "LEAST_STEP_S = 0.1"),
        busy_moments_are_losses=("STEP_RATIO = 8.0", "STEP_RATIO = 1.0"),
        losses_not_placed_again=("else _again(level_s, group, row, windows[row])", "else row"),
    ),
    # live
    *of(
        "live/beat_windows.py",
        "live/test_beat_windows.py",
        last_beats_let_go=("        self.heard_to(self._heard_to)\n        start", "        start"),
        cut_beat_let_go=("if start < self._heard_to:", "if False:"),
    ),
    *of(
        "live/session.py",
        "live/test_session.py",
        figures_taken_back_in_silence=("{WITHDRAWN if self.shown else ''}", ""),
        lumps_over_a_hole=("block.start_frame != self._waiting[-1].stop_frame", "False"),
        last_lump_lost=("    night.take_waiting()\n    heard =", "    heard ="),
    ),
    # hearing
    *of(
        "tracks/path.py",
        "tracks/test_path.py",
        tops_any_near=(">= _APART for other in kept", ">= 1 for other in kept"),
        seven_tops=("len(kept) == _MOST_TOPS", "len(kept) == _MOST_TOPS + 1"),
        heard_always=("HEARD = 0.93", "HEARD = 0.63"),
        gain_of_a_half=(
            "gain = beam.spread[:, :, 0] / variance[:, None]",
            "gain = beam.spread[:, :, 0] / variance[:, None] / 2",
        ),
        period_not_carried=(
            "move = np.array([[1.0, turns], [0.0, 1.0]])",
            "move = np.array([[1.0, 0.0], [0.0, 1.0]])",
        ),
        period_step_of_the_phase=("_PERIOD_STEP**2 * turns", "_PHASE_STEP**2 * turns"),
        offset_added=("expected = beam.state[:, 0] - offset", "expected = beam.state[:, 0] + offset"),
        spread_not_lessened=(
            "beam.spread - trust[:, None, None] * gain",
            "beam.spread - 0 * trust[:, None, None] * gain",
        ),
        density_without_its_tenth=("np.log((near + 0.1) / self.frames)", "np.log(near / self.frames)"),
        level_of_the_mean=("middle = float(np.median(logs))", "middle = float(np.mean(np.exp(logs)))"),
        smoothing_of_three=('kind="stable")[:9]', 'kind="stable")[:3]'),
        odds_against_none=(
            "return best, float(beam.score[order[0]] - beam.score[number])",
            "return best, float(beam.score[order[0]])",
        ),
    ),
    *of(
        "hearing/heard.py",
        "hearing/test_heard.py",
        less_evidence_stays=("np.lexsort((-every.evidence,", "np.lexsort((every.evidence,"),
        certain_or_not=("~every.certain, every.kind", "every.certain, every.kind"),
        middles_not_turned=("later_samples=-self.later_samples", "later_samples=self.later_samples"),
        passages_not_turned=(
            "passage_samples=self.passage_samples[::-1]",
            "passage_samples=self.passage_samples",
        ),
        alike_by_one_passage=("return max(*apart, abs(", "return max(apart[0], abs("),
        losses_of_sound_behind=(
            'np.searchsorted(at, places, "left")',
            'np.searchsorted(at, places + 60, "left")',
        ),
    ),
    # bench: from rows to trials
    *of(
        "bench/bench_course.py",
        "bench/test_bench_course.py",
        stretches_count_twice=(
            "return [_reading(row) for row in counted_once(rows)]",
            "return [_reading(row) for row in rows]",
        ),
        stretches_count_twice_with_documents=(
            "rows = counted_once([row for row in log.readings(clock) if row.rate_s_per_day is not None])",
            "rows = [row for row in log.readings(clock) if row.rate_s_per_day is not None]",
        ),
        oldest_documents=("row.document if i >= early else None", "row.document if i < early + 12 else None"),
        crystal_in_ppm=(
            "(row.u_timebase_offset_ppm or 0.0) * S_PER_DAY_PER_PPM",
            "(row.u_timebase_offset_ppm or 0.0)",
        ),
        recorder_forgotten=('f"{source} {recorder}".strip()', "source"),
        host_clock_shared=(
            'return "" if source == "host clock" else',
            'return "" if source == "reference ticks" else',
        ),
        hand_check_of_minutes=("until_s - 3600 * row.span_h", "until_s - 60 * row.span_h"),
        hand_check_from_its_end=(
            "        until_s - 3600 * row.span_h,\n        until_s,",
            "        until_s,\n        until_s + 3600 * row.span_h,",
        ),
        setting_not_read=(
            '("added_g", "doubt_g", "moved", "setting", "doubt")',
            '("added_g", "doubt_g", "moved", "doubt")',
        ),
        own_nights_among_others=(
            "if other.id == own.id or other.kind != own.kind:",
            "if other.kind != own.kind:",
        ),
        any_kind_of_clock=("if other.id == own.id or other.kind != own.kind:", "if other.id == own.id:"),
        one_night_is_enough=("if len(heard) > 1:", "if len(heard) > 0:"),
        record_goes_first=(
            'if getattr(self, field.name) in (None, "")',
            'if getattr(other, field.name) not in (None, "")',
        ),
        given_rate_lasts_no_time=("now_s + (present.duration_s or 0.0),", "now_s,"),
    ),
    *of(
        "bench/recordings.py",
        "bench/test_recordings.py",
        date_of_the_end=(
            "max(ended - timedelta(seconds=duration_s), EARLIEST_OWN)",
            "max(ended, EARLIEST_OWN)",
        ),
        date_forwards=("ended - timedelta(seconds=duration_s)", "ended + timedelta(seconds=duration_s)"),
        epoch_of_a_recorder=(
            "max(ended - timedelta(seconds=duration_s), EARLIEST_OWN)",
            "ended - timedelta(seconds=duration_s)",
        ),
        files_in_any_order=(
            "sorted(one for one in path.iterdir() if one.is_file())",
            "sorted((one for one in path.iterdir() if one.is_file()), reverse=True)",
        ),
        tomorrow_s_date=(
            "if EARLIEST_OWN < found <= datetime.now(UTC) + timedelta(days=1):",
            "if EARLIEST_OWN < found:",
        ),
        any_old_date=(
            "if EARLIEST_OWN < found <= datetime.now(UTC) + timedelta(days=1):",
            "if found <= datetime.now(UTC) + timedelta(days=1):",
        ),
    ),
    *of(
        "bench/sides.py",
        "bench/test_sides.py",
        latest_of_all=("self.readings[-MOST_COMPARED:]", "self.readings"),
        names_before_they_were_learnt=(
            'learnt = record.sides is not None and bool(record.sides.get("learnt"))',
            "learnt = True",
        ),
        doubts_of_both_forgotten=("sure = sure * earlier + (1 - sure) * (1 - earlier)", "sure = sure"),
        wrong_by_both_is_wrong=(
            "sure = sure * earlier + (1 - sure) * (1 - earlier)",
            "sure = sure * earlier",
        ),
        names_exchanged=('names = (there, back) if side == "a" else (back, there)', "names = (there, back)"),
        turned_where_it_is_not=("if match.exchanged else night", "if not match.exchanged else night"),
        doubt_not_told=(
            "if not match.sure:\n            remarks.append",
            "if False:\n            remarks.append",
        ),
        any_work_moves_the_beat=("if work.kind in MOVES_THE_BEAT)", "if work.kind)"),
        beat_error_while_it_is_set=("SideMarks(voices), 1.0)", "SideMarks(voices), 0.05)"),
        exchanged_though_not_sure=("(self._match.exchanged and self._match.sure)", "(self._match.exchanged)"),
        nearest_in_time_alone=(
            "return works_between(one), abs(",
            "return 0, abs(",
        ),
        work_at_the_reading_is_after_it=("first < work <= last", "first <= work < last"),
        reference_replaced=("reference=self.reference or marks", "reference=marks"),
        seen_at_the_turning_point=("NEAREST_SHARE = 0.2", "NEAREST_SHARE = 0.5"),
    ),
    *of(
        "bench/nights.py",
        "bench/test_nights.py",
        running_are_broken_off=("if alive or (clock is not None", "if (clock is not None"),
        broken_off_of_all_clocks=(
            "(clock is not None and night.clock.casefold() != clock.casefold())",
            "(clock is not None and False)",
        ),
        the_newest_first=(
            "sorted(found, key=lambda entry: entry[0].began)",
            "sorted(found, key=lambda entry: entry[0].began, reverse=True)",
        ),
        a_running_night_forgotten=(
            "if not alive and night.folder == folder.absolute():",
            "if night.folder == folder.absolute():",
        ),
        told_errors_leave_it=(
            "except TorsionbeatError:\n            ended = True",
            "except TorsionbeatError:\n            ended = False",
        ),
        passwords_written=('if not log or "://" in log else', "if not log else"),
        twice_at_one_clock=("and other.log == night.log:", "and other.log != night.log:"),
    ),
    *of(
        "sound/phone.py",
        "sound/test_phone.py",
        unsigned_bytes_not_centred=("samples - 128.0 if", "samples - 0.0 if"),
        gap_of_a_whole_packet=("max(frame.samples // 2, 1)", "max(frame.samples, 1)"),
        gap_left_out_of_the_count=("position += excess", "position += 0"),
        expected_from_its_beginning=(
            "frame.time + frame.samples / self.sample_rate_hz",
            "frame.time",
        ),
        model_for_maker=('said.get("make") or said.get("manufacturer")', 'said.get("model")'),
    ),
    *of(
        "reading/intervals.py",
        "reading/test_intervals.py",
        blocks_of_two=("min(BLOCKS, count // 3)", "min(BLOCKS, count // 2)"),
        median_blocks_of_three=("min(BLOCKS, count // 5)", "min(BLOCKS, count // 3)"),
        medians_out_of_time=('[known], kind="stable")]', '[known] * 0, kind="stable")]'),
        spread_of_all_freedom=("(value.size - 2))", "(value.size))"),
        pooled_without_freedom=(
            "sum(estimate.freedom * estimate.value**2 for",
            "sum(estimate.freedom * estimate.value for",
        ),
        lags_to_a_half=("range(1, n // 4)", "range(1, n // 2)"),
    ),
    *of(
        "reading/jumps.py",
        "reading/test_jumps.py",
        line_of_two=("if len(number) < 3:", "if len(number) < 2:"),
        peaks_side_by_side=("abs(index - other) > _AROUND for other in out", "True for other in out"),
    ),
    *of(
        "jobs/keep.py",
        "jobs/test_keep.py",
        kept_without_looking_again=("            once=True,\n", ""),
        others_meanwhile_not_seen=("if meanwhile and found.alike is None:", "if False:"),
    ),
    *of(
        "regulation/temperature.py",
        "regulation/test_temperature.py",
        blocks_taken_as_independent=("np.linspace(0.0, 0.98, 50)", "np.linspace(0.0, 0.0, 50)"),
        laws_disagree_for_nothing=("(doubt**2 + (each - mean) ** 2)", "(doubt**2)"),
        gains_for_losses=(
            "DAY_S * (float(periods.mean()) / periods - 1)",
            "DAY_S * (1 - float(periods.mean()) / periods)",
        ),
    ),
    *of(
        "history/sound_rows.py",
        "history/test_sound_rows.py",
        spread_of_tones_half_as_doubtful=("_spread_hz, 0.13", "_spread_hz, 0.065"),
        ring_twice_as_doubtful=("_fall_ms, 0.25", "_fall_ms, 0.5"),
        brightness_half_as_doubtful=("_brightness_hz, 0.04", "_brightness_hz, 0.02"),
        other_recorders_judged=("if not _one_recorder(before, after):", "if False:"),
    ),
    *of(
        "beat_sounds/portrait.py",
        "beat_sounds/test_portrait.py",
        tones_against_the_loudest=("self.power / np.maximum(room, least)", "self.power / self.power.max()"),
    ),
    *of(
        "regulation/beatsetting.py",
        "regulation/test_beatsetting.py",
        margin_without_its_doubt=("COVERAGE * margin.std_dev", "COVERAGE"),
    ),
    *of(
        "learning/response.py",
        "learning/test_response.py",
        doubt_of_an_inertia_halved=(
            "math.hypot(inertia_percent / 100, 2 * radius_doubt_mm / radius) / math.sqrt(3)",
            "math.hypot(inertia_percent / 100, 2 * radius_doubt_mm / radius) / math.sqrt(12)",
        ),
    ),
]
