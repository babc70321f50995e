"""Deliberate faults for ``mutants.py``: what is put in where, and the tests that must notice."""

from __future__ import annotations

from fault import Fault, of
from faults_in_rooms import FAULTS as IN_ROOMS

FAULTS: list[Fault] = [
    # theory
    *of(
        "theory/rate.py",
        "theory/test_rate.py",
        "published/test_swing_published.py",
        "published/test_straight_line.py",
        rate_upside_down=(
            'DAY_S * (period_within(nominal_period_s, "nominal period") / period_within(period_s) - 1)',
            'DAY_S * (period_within(period_s) / period_within(nominal_period_s, "nominal period") - 1)',
        ),
        a_day_of_86164_s=("DAY_S = 86_400.0", "DAY_S = 86_164.0905"),
        ppm_ten_times=("S_PER_DAY_PER_PPM = DAY_S / 1e6", "S_PER_DAY_PER_PPM = DAY_S / 1e5"),
        year_of_365_days=("DAYS_PER_YEAR = 365.25", "DAYS_PER_YEAR = 365.0"),
        students_factor_one_sided=("stdtrit(dof, 0.975)", "stdtrit(dof, 0.95)"),
        students_factor_dropped=("return float(stdtrit(dof, 0.975) / ndtri(0.975))", "return 1.0"),
        degrees_of_freedom_one_more=("dof = n - parameters", "dof = n - parameters + 1"),
        sigma_over_all_beats=("np.sum((residual * root) ** 2) / dof", "np.sum((residual * root) ** 2) / n"),
        period_is_half_a_period=("period_s=2 * slope / scale", "period_s=slope / scale"),
        sides_exchanged=('odd = (sides == "b").astype', 'odd = (sides == "a").astype'),
        weights_not_rooted=("root = np.sqrt(within(", "root = (within("),
        uncertainty_of_one_side_only=(
            "return 2 * sigma / float(np.sqrt(spread))",
            "return sigma / float(np.sqrt(spread))",
        ),
        start_not_brought_back=(
            "start_s=origin + centre - slope * middle / scale",
            "start_s=origin + centre",
        ),
    ),
    *of(
        "theory/robust.py",
        "theory/test_robust.py",
        median_deviation_factor=("SIGMA_PER_MEDIAN = 1.4826", "SIGMA_PER_MEDIAN = 1.0"),
        coverage_of_ninety_per_cent=("COVERAGE = 1.96", "COVERAGE = 1.64"),
        median_over_three=("sliding_window_view(padded, 5)", "sliding_window_view(padded[1:-1], 3)"),
    ),
    *of(
        "theory/stability.py",
        "theory/test_stability.py",
        "published/test_stability_published.py",
        hadamard_over_two=("(6 if order == 3 else 2)", "2"),
        edf_not_cut_for_gaps=("* terms / possible", ""),
        limits_exchanged=("[(1 + share) / 2, (1 - share) / 2]", "[(1 - share) / 2, (1 + share) / 2]"),
        limits_of_half_the_freedom=("gammaincinv(freedom / 2", "gammaincinv(freedom / 4"),
        infinite_freedom_not_known=("        return value, value\n", "        return 0.0, value\n"),
        noise_of_first_time_for_all=("noise_exponent(phase, m, order)", "noise_exponent(phase, 1, order)"),
        slope_beyond_the_end=("-float(curve.alpha[end]) - 1", "-float(curve.alpha[end]) + 1"),
        windows_of_any_share=("LEAST_SHARE = 0.75", "LEAST_SHARE = 0.0"),
        line_left_in_windows=(
            "flat = phase - np.polyval(np.polyfit(place[heard], phase[heard], 1), place)",
            "flat = phase",
        ),
        steps_of_one_for_all=('step = 1 if kind in ("adev", "hdev") else m', "step = 1"),
    ),
    *of(
        "theory/noise.py",
        "theory/test_noise.py",
        "published/test_stability_published.py",
        line_for_a_parabola=(
            "np.polyfit(place[heard], x[heard], 2)",
            "np.polyfit(place[heard], x[heard], 1)",
        ),
        one_difference_too_many=('length = (m if kind == "mdev" else 1) + m * order', "length = m * order"),
        exponent_off_by_one=("float(2 - 2 * (share + difference))", "float(1 - 2 * (share + difference))"),
        differenced_too_late=("if share < 0.25 or", "if share < 0.45 or"),
        structure_weights=("2: (6, -4, 1)", "2: (6, -4, 2)"),
        filter_for_all=("filter_factor = float(m) if alpha > 0 else np.inf", "filter_factor = float(m)"),
        weights_of_lags_left_out=(
            "weight = 1 - np.arange(1, last) / count",
            "weight = 1 - 0 * np.arange(1, last) / count",
        ),
        stride_of_overlapping=('stride = 1 if kind in ("adev", "hdev") else m', "stride = m"),
    ),
    *of(
        "theory/decay.py",
        "theory/test_decay.py",
        "published/test_swing_published.py",
        settling_as_slow_as_a_fall=(
            "q_within(q) * period_within(period_s) / (2 * np.pi)",
            "q_within(q) * period_within(period_s) / np.pi",
        ),
        half_life_of_energy=("figure(np.log(2) * q_within(q)", "figure(0.5 * np.log(2) * q_within(q)"),
        q_of_half_the_decrement=("np.hypot(0.5, np.pi / delta)", "np.hypot(0.5, np.pi / delta / 2)"),
        damping_ratio_of_one_over_q=("figure(0.5 / q_within(q))", "figure(1.0 / q_within(q))"),
        lengthening_by_a_quarter=("np.log1p(-0.25 / q_within(q) ** 2)", "np.log1p(-0.5 / q_within(q) ** 2)"),
        one_parameter_less_in_aicc=(
            "spread, parameters = max(squares / n, np.finfo(float).tiny), free + 1",
            "spread, parameters = max(squares / n, np.finfo(float).tiny), free",
        ),
        aicc_without_its_small_sample_term=("- 2 * likelihood + correction", "- 2 * likelihood"),
        sigma_over_n=("np.sqrt(squares / (n - free))", "np.sqrt(squares / n)"),
        akaike_weights_squared=("np.exp(-0.5 * (aicc - aicc.min()))", "np.exp(-1.0 * (aicc - aicc.min()))"),
        laws_agree_always=("spread**2 + (value - mean) ** 2", "spread**2"),
        student_left_out_over_laws=("spread = factor * np.array", "spread = np.array"),
        loss_of_a_whole_period=("* (period / 2)", "* period"),
        dry_loss_halved=(
            "np.maximum(start * np.exp(-air * time) - dry * _stretch",
            "np.maximum(start * np.exp(-air * time) - 0.5 * dry * _stretch",
        ),
        time_to_arc_without_dry=(
            "np.log1p(air * (start - end) / (air * end + dry)) / air",
            "np.log1p(air * (start - end) / (air * end)) / air",
        ),
    ),
    *of(
        "theory/escapement.py",
        "theory/test_escapement.py",
        "published/test_swing_published.py",
        energy_without_the_half=("figure(0.5 * inertia * 1e-9", "figure(inertia * 1e-9"),
        day_of_a_thousand_seconds=("figure(86.4 * drive_power_uw", "figure(3.6 * drive_power_uw"),
        cosine_for_sine=("drive * np.sin(np.radians(phase))", "drive * np.cos(np.radians(phase))"),
        integral_over_pi=("integral / (2 * np.pi * half * omega**2)", "integral / (np.pi * half * omega**2)"),
        push_after_quickens=(
            "(after - before) * (after + before) / roots",
            "(before - after) * (after + before) / roots",
        ),
        loss_over_q=("/ (2 * q_within(q) * (before + after))", "/ (q_within(q) * (before + after))"),
        tangent_for_sine=("after / np.sqrt((half - after) * (half + after))", "after / half"),
        gain_for_loss=("figure(-DAY_S * impulse_lengthening", "figure(DAY_S * impulse_lengthening"),
    ),
    *of(
        "theory/spring.py",
        "theory/test_spring.py",
        "published/test_strip_published.py",
        thin_pull=("strip.width_mm**2 + strip.thickness_mm**2", "strip.width_mm**2"),
        pull_over_24=("square / (12 * strip.active_length_mm", "square / (24 * strip.active_length_mm"),
        thin_strip=(
            "strip.shear_modulus_gpa * 1e9 * b * t**3 * float(beta(b / t)) / length",
            "strip.shear_modulus_gpa * 1e9 * b * t**3 / 3 / length",
        ),
        load_share_expands_twice=("(1 - share) * strip) / 2)", "(1 - share) * 2 * strip) / 2)"),
        modulus_not_halved=("figure(1e-6 * (balance - (share", "figure(1e-6 * (balance - 2 * (share"),
        strip_expands_twice_not_thrice=("share * (drift + 3 * strip)", "share * (drift + 2 * strip)"),
        cubic_over_180=("/ (360 * length**3)", "/ (180 * length**3)"),
        arc_for_amplitude=(
            "np.radians(_arc(arc_deg) / 2) ** 2 / _kappa",
            "np.radians(_arc(arc_deg)) ** 2 / _kappa",
        ),
        first_order_by_a_quarter=("figure(0.375 * np.asarray(twist", "figure(0.25 * np.asarray(twist"),
        ellipse_of_another_modulus=("ellipk(e / (2 * (1 + e)))", "ellipk(e / (1 + e))"),
        gravity_of_the_moon=("STANDARD_GRAVITY_M_PER_S2 = 9.80665", "STANDARD_GRAVITY_M_PER_S2 = 9.81665"),
        shear_of_a_thin_strip=("1 - 8 / np.pi**2 * float", "1 - 0 / np.pi**2 * float"),
        tension_of_the_twist=("(twist * strip.width_mm) ** 2 / 12", "(twist * strip.width_mm) ** 2 / 24"),
        series_of_one_term=("np.arange(1, 400, 2", "np.arange(1, 3, 2"),
        slope_of_beta=("(total / r - slope) / r", "(total / r + slope) / r"),
    ),
    *of(
        "theory/strip_change.py",
        "theory/test_strip_change.py",
        "published/test_strip_published.py",
        pull_all_of_the_width=("of_width = ratio**2 / (1 + ratio**2)", "of_width = 1.0"),
        bend_of_the_other_sign=('"thickness": share * (3 - bend)', '"thickness": share * (3 + bend)'),
        twist_of_the_fourth_power=('"width": 5.0', '"width": 4.0'),
        inch_of_25_mm=("MM_PER_THOUSANDTH_INCH = 0.0254", "MM_PER_THOUSANDTH_INCH = 0.025"),
        period_for_stiffness=("log_period = -0.5 * exponent[measure]", "log_period = -exponent[measure]"),
        stiffness_not_rooted=("np.sqrt(stiffer) * arc - 1", "stiffer * arc - 1"),
        arc_effect_upside_down=(
            "return float(slope * e / (2 * (1 + e) ** 2) - 0.5 * e / (1 + e))",
            "return float(slope * e / (2 * (1 + e) ** 2) + 0.5 * e / (1 + e))",
        ),
    ),
    *of(
        "theory/swing.py",
        "theory/test_swing.py",
        "published/test_swing_published.py",
        arc_for_half=("np.where(possible, 2 * half, np.nan)", "np.where(possible, half, np.nan)"),
        offset_left_out=(
            "half = np.hypot(offset / np.cos(nu), lift / 2 / np.sin(nu))",
            "half = np.hypot(0 * offset, lift / 2 / np.sin(nu))",
        ),
        whole_beat_error=(
            'np.pi * as_numbers("beat error", beat_error_ms) / 1e3',
            '2 * np.pi * as_numbers("beat error", beat_error_ms) / 1e3',
        ),
        lift_left_out_of_the_offset=("half * np.sin(mu) * np.sqrt(1 - sin_nu**2)", "half * np.sin(mu)"),
        cosine_left_out_of_the_arc=("arc = lift / (np.cos(mu) * np.sin(nu))", "arc = lift / np.sin(nu)"),
        knock_without_offset=("/ 2 - np.abs(_offset(offset_deg))", "/ 2 - 0 * np.abs(_offset(offset_deg))"),
        knock_of_the_whole_arc=(
            "figure((knock - arc_within(arc_deg)) / 2",
            "figure((knock - arc_within(arc_deg))",
        ),
        speed_by_the_arc=("np.sqrt(half**2 - offset**2)", "np.sqrt(4 * half**2 - offset**2)"),
        offset_moved_by_half=(
            "(offset[1] - offset[0]) - abs(change)",
            "(offset[1] - offset[0]) - abs(change) / 2",
        ),
    ),
    *of(
        "theory/weights.py",
        "theory/test_weights.py",
        "published/test_strip_published.py",
        disc_of_a_ring=("mass * squares / 2 if lie", "mass * squares if lie"),
        upright_over_six=("(3 * squares + thickness**2) / 12", "(3 * squares + thickness**2) / 6"),
        inertia_not_rooted=("np.sqrt(stiffer / grown) - 1", "(stiffer / grown) - 1"),
        lever_without_pull=("lever = radius**2 - inertia * stiffening * factor", "lever = radius**2"),
        rate_not_squared=(
            "factor = (1 + _rate(rate_s_per_day) / DAY_S) ** 2",
            "factor = 1 + _rate(rate_s_per_day) / DAY_S",
        ),
        mass_in_kilograms=("* density * 1e-6", "* density * 1e-9"),
        line_not_weighted=("weight = 1 / (2 * period * sigma)", "weight = 1 / (2 * sigma)"),
        half_left_out_of_a_gram=("-DAY_S / 2 * self.square_per_g_s2", "-DAY_S * self.square_per_g_s2"),
    ),
    *of(
        "theory/materials.py",
        "published/test_strip_published.py",
        beryllium_copper_drift=(
            "shear_modulus_drift_ppm_per_k=-330.0",
            "shear_modulus_drift_ppm_per_k=-300.0",
        ),
        beryllium_copper_density=("density_kg_per_m3=8250.0", "density_kg_per_m3=8520.0"),
        beryllium_copper_expansion=("expansion_ppm_per_k=17.0,", "expansion_ppm_per_k=16.0,"),
        phosphor_bronze_drift=(
            "shear_modulus_drift_ppm_per_k=-380.0",
            "shear_modulus_drift_ppm_per_k=-300.0",
        ),
        phosphor_bronze_expansion=("expansion_ppm_per_k=17.8", "expansion_ppm_per_k=18.7"),
        phosphor_bronze_density=("density_kg_per_m3=8860.0", "density_kg_per_m3=8680.0"),
        constant_modulus_density=("density_kg_per_m3=8050.0", "density_kg_per_m3=8500.0"),
        constant_modulus_expansion=("expansion_ppm_per_k=7.6", "expansion_ppm_per_k=6.7"),
        constant_modulus_drift=("shear_modulus_drift_ppm_per_k=0.0", "shear_modulus_drift_ppm_per_k=-30.0"),
        steel_drift=("shear_modulus_drift_ppm_per_k=-255.0", "shear_modulus_drift_ppm_per_k=-225.0"),
        steel_density=("density_kg_per_m3=7861.0", "density_kg_per_m3=7816.0"),
        stainless_drift=("shear_modulus_drift_ppm_per_k=-360.0", "shear_modulus_drift_ppm_per_k=-300.0"),
        stainless_density=("density_kg_per_m3=7916.0", "density_kg_per_m3=7961.0"),
        stainless_expansion=("expansion_ppm_per_k=17.3,", "expansion_ppm_per_k=13.7,"),
        beryllium_copper_shear=("shear_modulus_gpa=48.3", "shear_modulus_gpa=43.8"),
        brass_expansion=(
            "        8500.0,\n        100.0,\n        20.0,",
            "        8500.0,\n        100.0,\n        22.0,",
        ),
        lead_density=("11349.0", "11439.0"),
        zinc_expansion=('28.8, "E. Beckett', '28.0, "E. Beckett'),
        steel_weight_density=('WeightMetal("steel", 7850.0', 'WeightMetal("steel", 7580.0'),
    ),
    # reading
    *of(
        "reading/measuring.py",
        "reading/test_measuring.py",
        drops_alone_know_their_arc=(
            "by_arc_s = moved_by_unseen_arc_s(steady.period_s, beats.drop_s)",
            "by_arc_s = 0.0",
        ),
    ),
    *of(
        "reading/mean_period.py",
        "reading/test_mean_period.py",
        students_factor_dropped=(
            "student_factor(freedom) / student_factor(10**6) * np.sqrt(1 + 8 / len(number))\n    ends",
            "np.sqrt(1 + 8 / len(number))\n    ends",
        ),
        few_beat_factor_dropped=(
            "student_factor(10**6) * np.sqrt(1 + 8 / len(number))\n    ends",
            "student_factor(10**6)\n    ends",
        ),
        timing_hides_without_student=("* factor / np.sqrt(freedom)", "/ np.sqrt(freedom)"),
        timing_hides_as_many_differences=("* factor / np.sqrt(freedom)", "* factor"),
        timing_hides_twice_as_much=("USUAL_SCATTER_S = 0.0007", "USUAL_SCATTER_S = 0.0014"),
        parts_of_few_beats_forgotten=("max([0.0, *beyond])", "0.0"),
        difference_of_parts_taken_whole=("max(part.period_uncertainty_s**2 - variance, 0.0)", "0.0"),
        rate_walk_covariance_doubled=(
            "early**2 * (3 * late - early) / 6",
            "early**2 * (3 * late - early) / 3",
        ),
        rate_walk_to_the_end_doubled=(
            "drift * self.at**2 * (3 * end - self.at) / 6",
            "drift * self.at**2 * (3 * end - self.at) / 3",
        ),
        walk_left_out_of_the_end=("of_end = walk * end + drift * end**3 / 3", "of_end = drift * end**3 / 3"),
        period_of_a_half_swing=("2 * (step + ends / span)", "(step + ends / span)"),
        uncertainty_of_a_half_swing=(
            "2 * u_ends / span * factor",
            "u_ends / span * factor",
        ),
        beat_error_not_widened=(
            "u_beat_error *= factor",
            "u_beat_error *= 1",
        ),
        every_wander_is_one=("share * beyond))", "0 * share * beyond))"),
        wander_costs_nothing=("(2 * np.log(float(self.weight.sum())) - worse)", "(0 - worse)"),
        steady_clock_s_period_is_the_same=(
            "max(steady[1] - variance, 0.0) + (steady[0] - mean) ** 2",
            "max(steady[1] - variance, 0.0)",
        ),
        steady_clock_makes_surer=("max(steady[1] - variance, 0.0) +", "steady[1] - variance +"),
        beat_error_of_the_whole=("wanted[2] = 1.0", "wanted[2] = 2.0"),
        group_weights_dropped=("np.diag(1 / self.weight)", "np.diag(np.ones(len(self.weight)))"),
        jump_counts_towards_the_period=(
            "after: FloatArray = (at > jump)",
            "after: FloatArray = 0.0 * (at > jump)",
        ),
    ),
    *of(
        "reading/mean_arc.py",
        "reading/test_measuring.py",
        beat_error_edge_doubled=(
            "beginnings.spread_of(weights)",
            "beginnings.spread_of(2 * weights)",
        ),
        sides_not_weighed_together=("apart=apart,", "apart=None,"),
        arc_uncertainty_dropped_from_the_offset=(
            "by_b * error_ms.std_dev, by_a * arc.std_dev",
            "by_b * error_ms.std_dev, 0.0",
        ),
        beat_error_dropped_from_the_offset=(
            "by_b * error_ms.std_dev, by_a * arc.std_dev",
            "0.0, by_a * arc.std_dev",
        ),
        lift_tolerance_as_a_standard_uncertainty=(
            "clock.lift_tolerance_deg / np.sqrt(3)",
            "clock.lift_tolerance_deg",
        ),
        edge_dropped_from_the_arc=(
            "of_beginnings = by_begin @ beginnings.covariance @ by_begin.T",
            "of_beginnings = 0 * by_begin @ beginnings.covariance @ by_begin.T",
        ),
        impulse_forgotten=("IMPULSE_SHARE = 0.0005", "IMPULSE_SHARE = 0.05"),
        sides_that_disagree_are_averaged=(
            "max(spread, abs(float(values[0] - values[1])) / 2)",
            "spread",
        ),
        passages_apart_by_chance=("BEYOND_CHANCE = 3.0", "BEYOND_CHANCE = 0.1"),
        edge_of_a_tenth=("EDGE_S = 0.00015", "EDGE_S = 0.000015"),
        greatest_arc_small=("GREATEST_ARC_DEG = 750.0", "GREATEST_ARC_DEG = 280.0"),
        scatter_not_divided=(
            "0.5 * float(np.sqrt(np.mean(chosen**2)))) / float(np.sqrt(6))",
            "0.5 * float(np.sqrt(np.mean(chosen**2))))",
        ),
        scatter_of_one_beat=(
            "scatter = _scatter(beats.number[rows], arcs[rows]) / np.sqrt(count)",
            "scatter = _scatter(beats.number[rows], arcs[rows])",
        ),
    ),
    *of(
        "reading/measuring.py",
        "reading/test_measuring.py",
        crystal_the_wrong_way=(
            "(1 + timebase.offset_ppm * 1e-6))\n    heard = ",
            "(1 - timebase.offset_ppm * 1e-6))\n    heard = ",
        ),
        crystal_s_doubt_dropped=("np.hypot(own_s, by_crystal_s)", "own_s"),
        pull_of_another_clock_dropped=("by_arc_s, by_pull_s)))", "by_arc_s)))"),
        pull_as_a_standard_uncertainty=("PULL_S / np.sqrt(3)", "PULL_S"),
        travel_of_the_passage_dropped=(
            "(steady.period_uncertainty_s, by_travel_s, by_arc_s",
            "(steady.period_uncertainty_s, by_arc_s",
        ),
        mean_over_a_break=("if np.count_nonzero(after) >= LEAST_PRESENT:", "if False:"),
        lost_drive_is_no_break=("moments.append(turn.time_s)", "moments = moments"),
        slipped_clamp_is_no_break=("for jump in jumps if jump.moves_beat]", "for jump in jumps if False]"),
        beginnings_left_out_of_the_beat_error=(
            "beat_error_edge_s(beginnings, together), differ_u_s / 2)",
            "0 * beat_error_edge_s(beginnings, together), differ_u_s / 2)",
        ),
        stacked_passages_left_out_of_the_beat_error=(
            "beat_error_edge_s(beginnings, together), differ_u_s / 2)",
            "beat_error_edge_s(beginnings, together), 0 * differ_u_s / 2)",
        ),
        whole_of_a_stacked_passage_in_the_beat_error=(
            "beat_error_edge_s(beginnings, together), differ_u_s / 2)",
            "beat_error_edge_s(beginnings, together), differ_u_s)",
        ),
        rate_of_another_clock=("FARTHEST_NOMINAL = 0.25", "FARTHEST_NOMINAL = 25.0"),
        rate_uncertainty_of_the_period=(
            "(DAY_S + value) * period.std_dev / period.nominal_value",
            "period.std_dev",
        ),
        sides_exchanged=(
            'np.where(beats.number % 2 == 0, "a", "b")',
            'np.where(beats.number % 2 == 0, "b", "a")',
        ),
        gaps_count_as_missed=(
            "for gap_first, gap_last in heard.gaps:\n        inside &=",
            "for gap_first, gap_last in heard.gaps:\n        inside |=",
        ),
    ),
    *of(
        "reading/beats.py",
        "reading/test_beats.py",
        "reading/test_measuring.py",
        drop_for_the_middle=("drop_s - passage_s / 2 if", "drop_s if"),
        each_side_for_itself=("else sides[1 - side]", "else sides[side]"),
        whole_passage_for_the_half=("drop_s - passage_s / 2 if", "drop_s - passage_s if"),
        strays_kept=("STRAY_S, STRAY_RATIO = 0.02, 10.0", "STRAY_S, STRAY_RATIO = 2.0, 10.0"),
        some_middles_some_drops=(
            "if np.isfinite(passage_s).all() else drop_s.copy()",
            "if np.isfinite(passage_s).any() else drop_s.copy()",
        ),
    ),
    *of(
        "reading/arc_trend.py",
        "reading/test_arc_trend.py",
        every_memory_as_likely=("LONGER_LIKELIER = 0.5", "LONGER_LIKELIER = 0.0"),
        correlation_ignored=(
            "ratio = (WANDER_SHARES * arc_deg / noise_deg) ** 2",
            "ratio = 0.0 * (WANDER_SHARES * arc_deg / noise_deg) ** 2",
        ),
        normal_for_student=(
            "stdtr(freedom, (value - slope) / spread)",
            "stdtr(1e6, (value - slope) / spread)",
        ),
        slope_a_second=("/ 3600, number, arc)", "/ 1.0, number, arc)"),
        middle_ninety_per_cent=(
            "for q in (0.025, 0.975))\n    return low",
            "for q in (0.05, 0.95))\n    return low",
        ),
        residual_over_all=("np.sqrt(squares / freedom", "np.sqrt(squares / x.shape[0]"),
    ),
    *of(
        "reading/arc_course.py",
        "reading/test_arc_course.py",
        settles_below_nothing=("high / low > TOLD_WITHIN or steady <= 0", "high / low > TOLD_WITHIN"),
        turn_of_any_bend=(
            "CORNER_OF_LINE, CORNER_OF_BEND, CORNER_F = 0.5, 0.75, 25.0",
            "CORNER_OF_LINE, CORNER_OF_BEND, CORNER_F = 1.0, 2.0, -1e9",
        ),
        driven_part_for_the_free_one=(
            "time_s >= turn.time_s if lost else time_s <= turn.time_s",
            "time_s <= turn.time_s if lost else time_s >= turn.time_s",
        ),
        steady_value_at_the_end=(
            "steady = float(start - way / np.expm1(-span / tau))",
            "steady = float(start + way)",
        ),
        settling_of_a_steady_arc=("if abs(travel) < max(6 * scatter", "if abs(travel) < 0 * max(6 * scatter"),
        wait_of_a_tenth=("CLOSE_SHARE = 0.01", "CLOSE_SHARE = 0.1"),
    ),
    *of(
        "reading/jumps.py",
        "reading/test_jumps.py",
        beat_error_of_half=("steps[1] - steps[0])", "(steps[1] - steps[0]) / 2)"),
        phase_of_one_side=("(steps[0] + steps[1]) / 2", "steps[0]"),
        slope_not_extrapolated=(
            "_slope, level = np.polyfit(number - at, residual, 1)",
            "level = np.mean(residual)",
        ),
        spread_too_small=("median_deviation(second) / np.sqrt(6)", "median_deviation(second) / 600"),
    ),
    *of(
        "reading/beats.py",
        "reading/test_stacked_passages.py",
        travel_of_the_other_sign=(
            "1 + self.travel * (beat - self.middle_beat)",
            "1 - self.travel * (beat - self.middle_beat)",
        ),
        usual_travel_ten_times=("ARC_AN_HOUR = 0.05", "ARC_AN_HOUR = 0.5"),
        travel_surer_than_it_is=("float(1 / np.sqrt(lever))", "float(0.5 / np.sqrt(lever))"),
        passages_drawn_apart=("{0: one_s - drawn_s * u_one_s**2", "{0: one_s + drawn_s * u_one_s**2"),
        passages_drawn_by_the_deviation=("drawn_s * u_one_s**2, 1: other_s", "drawn_s * u_one_s, 1: other_s"),
        every_clock_s_passages_alike=("np.array([ALIKE, 1 - ALIKE])", "np.array([1.0, 0.0])"),
        passages_differ_by_half_a_doubt=(
            "variance, apart_s = u_one_s**2 +",
            "variance, apart_s = u_one_s**2 / 4 +",
        ),
        nothing_hidden_of_a_contact=("one.lead_s * np.sqrt(own_share)", "0.0"),
        hidden_part_of_both_counted_twice=("1 - ALIKE_FORKS if both_hidden else 1.0", "1.0"),
    ),
    *of(
        "reading/mean_arc.py",
        "reading/test_mean_arc.py",
        offset_a_whole_doubt_away=(
            "_SLOPE_STEP * t * 1e3, _SLOPE_STEP * a",
            "_SLOPE_STEP * t * 1e3, arc.std_dev",
        ),
        offset_knows_its_arc=("by_a * arc.std_dev", "0 * by_a"),
        lead_of_single_contacts_dropped=(
            "out[[2 * side for side, one in together.items() if one.lead_s]] = 0.0",
            "pass",
        ),
        passages_stay_where_sounds_begin_later=(
            "mean_s=one.mean_s + float(",
            "mean_s=one.mean_s + 0 * float(",
        ),
        drops_for_stacked_sides=("side in together or beginnings", "beginnings"),
    ),
    *of(
        "hearing/sides.py",
        "hearing/test_segment.py",
        no_typical_passage=(
            "typical = _typical(drop, contact) if share > _MEDIAN_SHARE else ()",
            "typical = ()",
        ),
        typical_passage_as_sure_as_a_mean=(
            "float(scatter * np.sqrt(np.pi / 2 / len(part)))",
            "float(scatter / len(part))",
        ),
    ),
    *of(
        "reading/intervals.py",
        "reading/test_intervals.py",
        small_sample_factor_of_medians=("scatter = 1.2 * ", "scatter = "),
        median_as_good_as_a_mean=("math.sqrt(math.pi / 2 / medians.size)", "math.sqrt(1 / medians.size)"),
        f_s_freedoms_swapped=(
            "fdtri(after.freedom, before.freedom, p)",
            "fdtri(before.freedom, after.freedom, p)",
        ),
        correlations_not_squared=("total += correlation**2", "total += correlation"),
        student_dropped_from_blocks=(
            "sigma = student_factor(means.size - 1) * float(means.std",
            "sigma = float(means.std",
        ),
        welch_without_scatter=(
            "part = [max(own[i], scatter[i]) / counts[i] for i in (0, 1)]",
            "part = [own[i] / counts[i] for i in (0, 1)]",
        ),
        welch_backwards=(
            "np.mean([night.nominal_value for night in after]) - np.mean",
            "-np.mean([night.nominal_value for night in after]) + np.mean",
        ),
        wilson_s_middle=("middle = (p + z2 / (2 * n))", "middle = (p + z2 / n)"),
        crowding_ignored=("n = trials / max(crowding, 1.0)", "n = trials"),
        newcombe_s_ends=(
            "math.hypot(after.value - after.low, before.high - before.value)",
            "math.hypot(after.high - after.value, before.value - before.low) * 1.3",
        ),
        slope_s_freedom=("freedom = len(days) - 2\n", "freedom = len(days)\n"),
    ),
    *of(
        "reading/document.py",
        "reading/test_document.py",
        variance_for_uncertainty=(
            '"standard_uncertainty": float(figure.std_dev)}',
            '"standard_uncertainty": float(figure.std_dev) ** 2}',
        ),
        sound_of_another_swing=("SAME_SOUND_S = 2e-3", "SAME_SOUND_S = 2e3"),
    ),
    # history
    *of(
        "history/wander.py",
        "history/test_wander.py",
        white_phase_by_the_root_of_two=(
            "DAY_S * math.sqrt(3 * float(np.mean(squares))) / tau_s",
            "DAY_S * math.sqrt(2 * float(np.mean(squares))) / tau_s",
        ),
        sounds_not_taken_out=("- sound_deviation([reading], tau_s) ** 2", ""),
        wander_does_not_grow=("max(own, 0.0) * max(span_s / tau_s, 1.0)", "max(own, 0.0)"),
        student_dropped=("return student_factor(float(freedom[row])) * math.sqrt", "return math.sqrt"),
        freedom_of_white_noise=(
            "return min(freedom, equivalent_degrees_of_freedom(-2, factor, points))",
            "return freedom",
        ),
        pooled_without_weights=(
            "sum(square * edf for square, edf in nights) / freedom",
            "sum(square for square, edf in nights) / freedom",
        ),
    ),
    *of(
        "history/arc_findings.py",
        "history/test_arc_findings.py",
        wander_forgets_the_doubt=(
            "wander < np.hypot(LEAST_WANDER_DEG, by_chance_deg)",
            "wander < LEAST_WANDER_DEG",
        ),
        wander_is_clear_whatever_the_doubt=(
            "wander >= np.hypot(1.5 * LEAST_WANDER_DEG, by_chance_deg)",
            "wander >= 1.5 * LEAST_WANDER_DEG",
        ),
        another_recording_begins_alike=("recorded_again_deg(night.reading) for", "1.0 for"),
    ),
    *of(
        "history/shared_doubt.py",
        "history/test_shared_doubt.py",
        arcs_beginnings_are_each_nights_own=(
            "    beginnings = _shared_beginnings(before, after, lambda r: r.arc_from_beginnings_deg)",
            "    beginnings = _shared_beginnings(before, after, lambda r: 0.0)",
        ),
        beat_errors_beginnings_are_each_nights_own=(
            "    beginnings = _shared_beginnings(before, after, lambda r: r.beat_error_from_beginnings_ms)",
            "    beginnings = _shared_beginnings(before, after, lambda r: 0.0)",
        ),
        beginnings_cancel_in_the_change=("(old, new, math.hypot(old, new))", "(old, new, 0.0)"),
        beginnings_counted_twice=(
            "_less(_less_lift(reading, reading.arc_deg), reading.arc_from_beginnings_deg)",
            "_less_lift(reading, reading.arc_deg)",
        ),
        two_beat_errors_are_off_by_chance=(
            "math.sqrt(1 - OTHERWISE_AGAIN)), []",
            "0.0), []",
        ),
        two_beat_errors_are_off_the_same=("OTHERWISE_AGAIN = 0.36", "OTHERWISE_AGAIN = 1e-6"),
        letters_turn_the_beginnings_too=(
            "sign * own + shared_ms * (alike + otherwise)",
            "sign * (own + shared_ms * (alike + otherwise))",
        ),
        shared_arc_always_told=("if shared_deg > half_deg / math.sqrt(2):", "if True:"),
        shared_arc_of_a_lone_night=("or len(group.nights) == 1", ""),
        loudest_night_speaks_for_all=("float(np.mean([own", "float(np.max([own"),
        nights_without_the_figure_lessen_it=("if own > 0]", "]"),
        offset_forgets_the_arc=("reading.arc_from_beginnings_deg)\n    offset", "1e-9)\n    offset"),
    ),
    *of(
        "history/wander.py",
        "history/test_wander.py",
        memory_not_counted=("math.sqrt(3 * memory / span_s)", "1.0"),
        student_dropped_from_the_arc=("return student_factor(MOVE_FREEDOM) * float", "return float"),
        noise_counted_as_wander=("single_deg**2 * means / max", "0 * single_deg**2 * means / max"),
        freedom_of_every_block=(
            "freedom = min(estimate.freedom, 2.0 + memories)",
            "freedom = estimate.freedom",
        ),
    ),
    # twin
    *of(
        "twin/balance.py",
        "twin/test_swing.py",
        drag_of_the_other_sign=("- (k + 1) * terms[k + 1] / q - pull", "+ (k + 1) * terms[k + 1] / q - pull"),
        cubic_of_half=("pull += cubic * sum", "pull += 0.5 * cubic * sum"),
    ),
    *of(
        "twin/swing.py",
        "twin/test_swing.py",
        offset_left_out=(
            "return middle - state.side * (self.half_lift - short)",
            "return -state.side * (self.half_lift - short)",
        ),
        wander_not_drawn=(
            "self.kick = drive.wander_percent / 100 * math.sqrt(1 - self.keep * self.keep)",
            "self.kick = 0.0",
        ),
        walk_of_the_period_doubled=(
            "math.sqrt(balance.period_s / 7200)",
            "math.sqrt(balance.period_s / 1800)",
        ),
    ),
    # hearing
    *of(
        "tracks/exact.py",
        "tracks/test_exact.py",
        jackknife_factor=("np.sqrt(parts - 1)", "np.sqrt(1 / parts)"),
        likeness_of_no_mean=(
            "size = np.linalg.norm(each, axis=1) * np.linalg.norm(mean)",
            "size = np.linalg.norm(each, axis=1)",
        ),
        tail_behind_the_sound_left_out=("inner + behind[:, -1:])", "inner)"),
    ),
    *of(
        "theory/edges.py",
        "theory/test_edges.py",
        edge_not_extrapolated=("back = np.log1p(-low) / (np.log1p(-high) - np.log1p(-low))", "back = 0.0"),
        edge_at_the_upper_height=("low, high = (0.12, 0.5)", "low, high = (0.45, 0.5)"),
    ),
    *of(
        "theory/two_sides.py",
        "theory/test_two_sides.py",
        choices_of_the_sides_apart=(
            "pairs[one, two] if all(pair)",
            "weights[one] * weights[two] if all(pair)",
        ),
        what_one_fork_hides_apart=("fork = np.eye(4) + alike_forks *", "fork = np.eye(4) + 0 *"),
        passages_weigh_no_choice=(
            "log_weight - 0.5 * missing**2 / total",
            "log_weight - 0.0 * missing**2 / total",
        ),
        passages_move_no_sound=("moved = offsets + missing[:, None] * gain", "moved = offsets"),
        passages_leave_the_doubt=("- np.outer(gain, gain) * total", "- 0 * np.outer(gain, gain)"),
        tolerance_left_out=("+ apart[1] ** 2 + tolerance**2", "+ apart[1] ** 2"),
        no_passages_unlike=("np.log(max((1 - alike[0]) / 4, 1e-300))", "-1e9"),
    ),
    *of(
        "hearing/priors.py",
        "hearing/test_account.py",
        short_passages_at_a_threshold=("SHORT_PASSAGE * max(short, 0.0)", "SHORT_PASSAGE * (short > 0)"),
        echo_may_be_a_drop=("LOUDEST_CONTACT_DB, ECHO = 18.0", "LOUDEST_CONTACT_DB, ECHO = 180.0"),
        unlockings_anywhere=("UNLOCKS_SOON, UNLOCKING_SHARE = 0.8,", "UNLOCKS_SOON, UNLOCKING_SHARE = 0.0,"),
        echoes_of_one_room_are_strangers=(
            "REBOUND_ALIKE, REBOUND_ALIKE_DB = 0.85",
            "REBOUND_ALIKE, REBOUND_ALIKE_DB = 0.0",
        ),
    ),
    *of(
        "hearing/account.py",
        "hearing/test_account.py",
        no_level_below_chance=("max(float(logs.max(initial=0.0)), lowest)", "float(logs.max(initial=0.0))"),
        no_sound_of_two_parts=(
            "TWO_PARTS, PARTS_APART_FRAMES, PART_DB = 1 / 6,",
            "TWO_PARTS, PARTS_APART_FRAMES, PART_DB = 1e-9,",
        ),
        part_below_two_percent_is_the_beginning=("log_ndtr(-above)", "log_ndtr(above)"),
        whole_beside_its_part=("if not (parts and (own.whole", "if not (False and (own.whole"),
    ),
    *of(
        "hearing/rivals.py",
        "hearing/test_account.py",
        mixed_sounds_as_usual_as_drops=("np.log(MIXED / len(passages))", "np.log(1 / len(passages))"),
        mixed_sounds_without_their_levels=(
            'mixed += float(log_normal(louder_db, *LOUDNESS_DB["contact"]))',
            "mixed += 0.0",
        ),
    ),
    *of(
        "hearing/rivals.py",
        "hearing/test_sides.py",
        lone_contact_not_thought_of=(
            "all(paired) else _with_a_lone_contact(heard, paired.index(True))",
            "any(paired) else heard",
        ),
        lone_contact_s_drop_earlier=(
            "later = passage if whole == 0 else -passage",
            "later = -passage if whole == 0 else passage",
        ),
        rivals_share_more_than_all=("share=left * rival.share", "share=rival.share"),
        same_figures_are_rivals=(
            "return max(*apart, abs(_middle_late(one)",
            "return False and max(*apart, abs(_middle_late(one)",
        ),
    ),
    *of(
        "hearing/segment.py",
        "hearing/test_listener.py",
        parts_before_are_no_sounds=(
            "sides = [with_parts_before(side) for side in placed]\n    weighed",
            "sides = placed\n    weighed",
        ),
    ),
    *of(
        "hearing/priors.py",
        "hearing/test_few_beats.py",
        contacts_never_softer=("each = log_of_contact(softer)", "each = log_normal(softer, 0.0, 40.0)"),
        forks_of_all_levels=("each, drops, log_of_fork(*softer.T)", "each, drops"),
        drops_of_all_levels=("each, drops, log_of_fork(*softer.T)", "each, log_of_fork(*softer.T)"),
    ),
    *of(
        "tracks/other_clocks.py",
        "hearing/test_segment.py",
        slides_of_one_period=("ticks * interval_s) * duration_s / period_s", "ticks * interval_s)"),
    ),
    *of(
        "tracks/search.py",
        "tracks/test_search.py",
        whatever_is_left_is_as_before=(
            "return found if _settled(found) else None\n\n\ndef _behind",
            "return found\n\n\ndef _behind",
        ),
        never_as_before=("if wanted.heard and (as_before", "if False and (as_before"),
        residue_ends_the_trial=("abs(number - round(number)) < ONE_PERIOD * number", "False"),
    ),
    *of(
        "hearing/guesses.py",
        "hearing/test_guesses.py",
        rows_of_nothing_count=(
            "weights = np.broadcast_to(rarity - _STEADY_MISSING",
            "weights = np.broadcast_to(rarity",
        ),
        other_side_half_a_period_off=("* period > 3 * _STEADY_CELL_S", "* period > 400 * _STEADY_CELL_S"),
        other_side_the_worst=("best = int(np.argmax(total))", "best = int(np.argmin(total))"),
    ),
    *of(
        "tracks/cadence.py",
        "tracks/test_cadence.py",
        "tracks/test_other_clocks.py",
        slow_changes_stay=("return correlation - slow", "return correlation"),
        slow_within_ten_seconds=("_SLOW = 250", "_SLOW = 5000"),
    ),
    *of(
        "hearing/segment.py",
        "hearing/test_segment.py",
        few_beats_hide_the_period_told=(
            "if told_s is not None and FEW_ROWS * told_s <= duration_s",
            "if False and 0 <= duration_s",
        ),
        peaks_have_no_say_at_an_untold_period=(
            "if few is None and told_s is not None and not",
            "if False and told_s and not",
        ),
        sounds_found_twice_count_twice=(
            "        one_of_each(\n            [",
            "        list(\n            [",
        ),
    ),
    *of(
        "tracks/bands.py",
        "tracks/test_bands.py",
        mean_of_frames_a_sum=("np.eye(len(kept)) / POOLED_FRAMES", "np.eye(len(kept))"),
    ),
    *of(
        "tracks/bands.py",
        "tracks/test_strength.py",
        floor_falls_at_a_step=("1 + _FALLS * np.maximum(self._before / floor - 1, 0)", "1.0"),
    ),
    *of(
        "tracks/pattern.py",
        "tracks/test_pattern.py",
        other_side_never_first=("[[first.frames[0] - half], first.frames + half]", "[first.frames + half]"),
    ),
    *of(
        "tracks/best_track.py",
        "tracks/test_pattern.py",
        one_rotation_tells_chance=("_STRETCHES = 80", "_STRETCHES = 1"),
    ),
    *of(
        "tracks/exact.py",
        "hearing/test_placing.py",
        searched_on_without_prior=("gained -= (0.5 * (away / prior_frames) ** 2)", "gained -= (0.0 * away)"),
        drawn_to_the_end_moves=("inside = (best > 0) & (best < 2 * search)", "inside = best >= 0"),
    ),
    *of(
        "hearing/beginnings.py",
        "hearing/test_placing.py",
        bang_makes_the_edge=("bang = rises - course.first >= HIDDEN_LEAD", "bang = False"),
    ),
    *of(
        "hearing/placing.py",
        "hearing/test_placing.py",
        end_of_the_search_is_a_place=("& ~at_an_end", ""),
        end_of_the_search_is_evidence=("np.minimum(exact.evidence, chance)", "exact.evidence"),
    ),
    *of(
        "hearing/together.py",
        "hearing/test_beginnings.py",
        no_height_that_noise_reaches=("if height < _STANDS * max(away):", "if height > _STANDS * max(away):"),
        bands_at_their_stated_level=("level = mean - np.median(mean, axis=0)", "level = mean"),
    ),
    *of(
        "hearing/beginnings.py",
        "hearing/test_beginnings.py",
        two_beats_hide_nothing=(
            "np.hypot(found.edge_uncertainty, HIDDEN_LEAD)",
            "np.hypot(found.edge_uncertainty, 4.0)",
        ),
        doubt_by_share_dropped=("(by_rise, by_share, scatter, hidden)", "(by_rise, scatter, hidden)"),
        hidden_lead_dropped=("(by_rise, by_share, scatter, hidden)", "(by_rise, by_share, scatter)"),
        hidden_from_half_a_per_cent_on=(
            "BEGINS * float(np.exp(-_SHARE_SPREAD)), 0.1",
            "0.005, 0.1",
        ),
        wholly_hidden_at_two_per_cent=(
            "BEGINS * float(np.exp(-_SHARE_SPREAD)), 0.1",
            "BEGINS * float(np.exp(-_SHARE_SPREAD)), BEGINS",
        ),
        first_part_not_sought=("len(variants) > 1 or bang or course.first - start >= _AHEAD", "False"),
        variants_begin_alike=("float(SHARE_WEIGHTS @ places) - middle", "0.0"),
        variants_beside_another_clock=("np.all(shade < _TOUCHED, axis=(1, 2))", "np.ones(len(places), bool)"),
        three_beats_make_a_variant=(
            "_LEAST_VARIANT, _VARIANTS = 0.4, 4,",
            "_LEAST_VARIANT, _VARIANTS = 0.4, 2,",
        ),
        greater_shares_parted_by_quiet=("if share <= BEGINS:", "if True:"),
        sides_no_more_alike_than_chance=("_SIDES_ALIKE = 0.5", "_SIDES_ALIKE = 0.0"),
        shares_twice_as_far_apart=("_SHARE_SPREAD = 0.5", "_SHARE_SPREAD = 1.0"),
        dying_away_taken_for_the_beginning=(
            "                return earliest\n    return first",
            "                return earliest\n    return 0",
        ),
    ),
    *of(
        "hearing/rivals.py",
        "hearing/test_sides.py",
        second_opinion_of_no_weight=("Rival(0.5, later, its)", "Rival(1e-4, later, its)"),
        second_opinion_turned=("(-1 if turned else 1) * second_side_late(few)", "second_side_late(few)"),
        new_contact_is_not_heard=("old is None or abs(new - old)", "False or abs((old or new) - new)"),
        contact_of_one_side_is_believed=("its == (None, None) and", "False and"),
        other_drops_are_the_same=("max(away) > SAME_SOUND or", "False or"),
    ),
    *of(
        "hearing/sides.py",
        "hearing/test_sides.py",
        peaks_say_nothing=("account.score + np.log(PEAKS_SAY)", "account.score"),
        guess_without_its_lateness=(
            "heard.period_frames, late, passage)",
            "heard.period_frames, 0.0 * late, passage)",
        ),
    ),
    *of(
        "reading/measuring.py",
        "reading/test_measuring.py",
        few_beats_surer_than_their_parts=(
            "steady = no_surer_than_its_parts(steady, middle_s, beats.drop_s[whole], number, at_jumps)",
            "pass",
        ),
    ),
    *of(
        "hearing/few_beats.py",
        "hearing/test_few_beats.py",
        ticks_make_a_clock=("return untold and any(", "return False and any("),
        other_period_without_its_echoes=(
            "halved_or_doubled([guess_of(one) for one in weighed[:JOINED]])",
            "halved_or_doubled([])",
        ),
        one_clock_told_twice=(
            "kept = order[_first_of_each(np.array([guess_of(weighed[place]) for place in order.tolist()]))]",
            "kept = order",
        ),
        told_period_in_step_is_ticks=(
            "told_s = [period_s for period_s, _ in priors] if told else []",
            "told_s = []",
        ),
        odds_of_a_mistold_period_dropped=("scores[number] + np.log(prior)", "scores[number]"),
        share_of_the_told_period_not_less=("1 - sum(share for _, share in rivals)", "1.0"),
        steady_places_left_out=(
            "places = steady_places(peaks.times,",
            "places = steady_places(peaks.times[:0],",
        ),
        no_passages_of_what_was_joined=(
            "again = np.concatenate([moved_by_passages(weighed), with_clear_passages(peaks, weighed)])",
            "again = moved_by_passages(weighed)",
        ),
    ),
    *of(
        "hearing/guesses.py",
        "hearing/test_few_beats.py",
        louder_contact_taken_for_a_drop=(
            "np.column_stack([np.zeros_like(passage), passage])",
            "np.column_stack([np.zeros_like(passage), 0 * passage])",
        ),
        no_passages_after=(
            "for apart, later in ((ahead, 0.0), (-ahead, 1.0)):",
            "for apart, later in ((ahead, 0.0),):",
        ),
        drops_never_contacts=("for one, other in _SHIFTS", "for one, other in ((0, 0),)"),
    ),
    *of(
        "hearing/few_beats.py",
        "hearing/test_echoes.py",
        echoes_left_out=("+= [_echoes(peaks, one)", "+= [0 * _echoes(peaks, one)"),
    ),
    *of(
        "hearing/guesses.py",
        "hearing/test_echoes.py",
        clear_passages_left_out=(
            "passage_s) for passage_s in passages]",
            "passage_s) for passage_s in passages[:0]]",
        ),
    ),
    *of(
        "hearing/echoes.py",
        "hearing/test_echoes.py",
        echoes_before_the_sound=(
            "after = np.where(free, times[None, :] - times[sounds, None]",
            "after = np.where(free, times[sounds, None] - times[None, :]",
        ),
        louder_echoes=("log_ndtr((own - level) / LOUDER_DB)", "0 * log_ndtr((own - level) / LOUDER_DB)"),
        no_banking_after_a_slow_drop=(
            "((drops, passage, 0.0), (contacts, 0.0, passage))",
            "((drops, 0.0, 0.0), (contacts, 0.0, passage))",
        ),
        late_unlockings_looked_for=(
            "latest_s = last_rebound(banks) / FRAMES_PER_S",
            "latest_s = max(last_rebound(banks), unlocks) / FRAMES_PER_S",
        ),
        missing_echoes_for_nothing=(
            "_ECHO_MISSING * (len(sounds) - len(used))",
            "0.0 * (len(sounds) - len(used))",
        ),
    ),
    *of(
        "tracks/other_clocks.py",
        "tracks/test_other_clocks.py",
        hums_told_as_clocks=("tuple(one for one in found if not one.hums)", "tuple(found)"),
        a_hum_is_added_to_the_room=("if not other.hums:\n            added", "if True:\n            added"),
        every_clock_hums=("_HUMS = 2 / 3", "_HUMS = 0.1"),
        nothing_hums=("_HUMS = 2 / 3", "_HUMS = 1.0"),
        slow_lines_hum=("lines[lines > interval_s / SHORTEST_TICK_S]", "lines"),
    ),
    *of(
        "tracks/cadence.py",
        "tracks/test_cadence.py",
        hums_stay=("stands = heights > _STANDS * usual", "stands = heights > np.inf"),
        lines_of_a_clock_are_hums=(
            "_CELLS_ROUND, _USUAL, _STANDS = 101, 90, 6.0",
            "_CELLS_ROUND, _USUAL, _STANDS = 101, 90, 0.5",
        ),
    ),
    *of(
        "tracks/search.py",
        "tracks/test_search.py",
        half_of_the_told_period_not_tried=("if best is not None and not _settled(best):", "if False:"),
        hums_make_periods=(
            "return of_short_sounds(autocorrelation(rising, lags, frame_s=frame_s))",
            "return of_short_sounds(autocorrelation(rising, lags))",
        ),
    ),
    *of(
        "hearing/priors.py",
        "hearing/test_account.py",
        no_late_banking=("BANKING_SHARE, LAST_BANKING = 0.2, 0.6", "BANKING_SHARE, LAST_BANKING = 0.02, 0.6"),
        banking_at_any_time=(
            "BANKING_SHARE, LAST_BANKING = 0.2, 0.6",
            "BANKING_SHARE, LAST_BANKING = 0.2, 6.0",
        ),
    ),
    *of(
        "hearing/sounds_again.py",
        "hearing/test_sounds_again.py",
        banking_usual_at_one_place_only=(
            'np.median(maximum_filter1d(high, width, axis=1, mode="nearest"), axis=0)',
            "np.median(high, axis=0)",
        ),
    ),
    *of(
        "hearing/sides.py",
        "hearing/test_sides.py",
        typical_passage_never_travels=("min(len(rows) // _LEAST_PART, _MOST_PARTS)", "1"),
        travel_is_scatter=(
            "np.concatenate([passages[part] - np.median(passages[part]) for part in parts])",
            "passages - np.median(passages)",
        ),
    ),
    *of(
        "reading/remarks.py",
        "reading/test_remarks.py",
        lift_doubted_for_any_missing_arc=("if swing_deg <= GREATEST_ARC_DEG:", "if False:"),
        few_contacts_where_accounts_withhold=("elif not heard.other_accounts:", "elif True:"),
    ),
    *of(
        "hearing/tail.py",
        "hearing/test_sounds_again.py",
        "hearing/test_tail.py",
        a_tail_of_no_length=("max(delay, NEAREST_FRAMES) - 2 * WITHIN_RISE", "delay - 2 * WITHIN_RISE"),
        passage_never_travels=(
            "course = np.interp(rows, rows[sure], apart[sure])",
            "course = np.full(len(rows), typical)",
        ),
        each_side_by_itself=("tail.rise(near=its)", "None"),
        no_rise_in_the_tail=("tail.rise() if tail is not None and rises else None", "None"),
        tail_is_the_room=(
            "replace(self.fine, added=np.minimum(added, np.finfo(np.float16).max).astype(np.float16))",
            "self.fine",
        ),
    ),
    *of(
        "hearing/segment.py",
        "hearing/test_tail.py",
        few_beats_know_no_tail=(
            "placed_in_the_tail(fine, [placed], tracks[-1:], period, rises=False)",
            "[placed]",
        ),
        many_beats_know_no_tail=("return main is not None", "return False"),
    ),
    *of(
        "hearing/beginnings.py",
        "hearing/test_tail.py",
        tail_hides_nothing=(
            "max(by_room, -float(np.median(self.mean[quiet])))",
            "by_room",
        ),
    ),
    *of(
        "hearing/segment.py",
        "hearing/test_segment.py",
        other_passages_dropped=(
            "with_rivals(heard, _of_the_same_beat(others, few, pooled_s / POOLED_FRAMES, len(sides)))",
            "heard",
        ),
        sides_not_turned=("sign = 1 if abs(turns - round(turns)) < 0.25 else -1", "sign = 1"),
        only_the_best_is_sure=("sum(one.share for one in others)", "sum(0.0 for one in others)"),
    ),
    *of(
        "hearing/account.py",
        "hearing/test_account.py",
        rest_of_a_drop_echoes_its_contact=("sound.group in wholes)", "False)"),
        passages_without_the_doubt_of_places=("float(np.hypot(one_doubt, two_doubt))", "0.0"),
        first_passage_without_its_doubt=(
            "(passage + doubt * NORMAL_POINTS)",
            "(passage + 0 * NORMAL_POINTS)",
        ),
        doubt_of_the_drop_alone=(
            "float(np.hypot(drop.doubt, contact.doubt))",
            "contact.doubt",
        ),
    ),
    *of(
        "hearing/rivals.py",
        "hearing/test_account.py",
        lone_contact_without_its_beat_error=(
            "float(log_student(out_of_beat[kind], 0.0, OUT_OF_BEAT * period, 2.0))",
            "0.0",
        ),
        lone_contact_s_drop_never_hidden=(
            "_log_of_unheard(standing_db[1 - kind] + louder_db[kind], spreads[1 - kind])",
            "0.0",
        ),
        lone_contact_of_any_level=("float(log_student(louder_db[kind], 0.0, spreads[kind]))", "0.0"),
        lone_contact_sounds_like_anything=("_log_of_likeness(likeness[kind])", "0.0"),
    ),
    *of(
        "tracks/reference.py",
        "tracks/test_reference.py",
        slow_tick_wander=(
            "variance = max(float(np.mean(clipped**2)), size * float(np.mean(blocks**2))) / inside**2",
            "variance = float(np.mean(clipped**2)) / inside**2",
        ),
        huber_s_loss_of_the_tails=(
            "/ inside**2\n    return float(solution[1])",
            "* inside**2\n    return float(solution[1])",
        ),
    ),
    # sound
    *of(
        "sound/timebase.py",
        "sound/test_timebase.py",
        crystal_the_wrong_way=(
            "offset_ppm = -1e6 * fit.slope / (1 + fit.slope)",
            "offset_ppm = 1e6 * fit.slope / (1 + fit.slope)",
        ),
        unknown_as_a_half_width=(
            'Timebase("unknown", 0.0, UNKNOWN_HALF_WIDTH_PPM / math.sqrt(3))',
            'Timebase("unknown", 0.0, UNKNOWN_HALF_WIDTH_PPM)',
        ),
        host_clock_taken_as_right=("math.hypot(own_ppm, host_ppm)", "own_ppm"),
        own_scatter_dropped=("math.hypot(own_ppm, host_ppm)", "host_ppm"),
        recorder_s_bend_is_none=("bend_s=fit.bend_s if bend_s is None else bend_s", "bend_s=bend_s or 0.0"),
        misplaced_by_six=("12 * size_s * place_s", "6 * size_s * place_s"),
        misplaced_from_the_end=("(t_s / fit.span_s - 0.5)", "(t_s / fit.span_s - 1.0)"),
        places_of_losses_sure=(
            "math.hypot(fit.error, _hidden(fit), misplaced)",
            "math.hypot(fit.error, _hidden(fit))",
        ),
        frames_laid_against_what_is_slewed=("    return raw_s, 1e6", "    return kept_s, 1e6"),
    ),
    *of(
        "sound/hostclock.py",
        "sound/test_timebase.py",
        one_end_alone=(
            "1 - np.abs(gained_s) / (2 * end_s), 0.0) / (2 * end_s)",
            "1 - np.abs(gained_s) / end_s, 0.0) / end_s",
        ),
        kept_clock_the_wrong_way=(
            "(fast_ppm + ahead_ppm) * 1e-6 * span_s",
            "(fast_ppm - ahead_ppm) * 1e-6 * span_s",
        ),
        learned_the_wrong_way=("kept *= _of_the_kernel(fast_ppm + l", "kept *= _of_the_kernel(fast_ppm - l"),
        kernel_never_wrong=(
            "UNLEARNED_SHARE_CORRECTED = 0.2, 0.5",
            "UNLEARNED_SHARE_CORRECTED = 0.01, 0.02",
        ),
        clock_never_corrected=("CORRECTED_SHARE = 0.2", "CORRECTED_SHARE = 0.001"),
        corrections_of_any_size_alike=("/ np.maximum(size, end_s) ** 2", "/ np.maximum(size, end_s)"),
        crystals_of_300_ppm=("SOLD_PPM = 50.0", "SOLD_PPM = 300.0"),
        tail_of_crystals_halved=("/ (2 * BEYOND_PPM), 0.0)", "/ (4 * BEYOND_PPM), 0.0)"),
        computer_s_crystal_not_asked=(
            "        density *= _of_a_crystal(fast_ppm, 0.0)",
            "        density *= 1.0",
        ),
        half_width_taken_for_sigma=("half_ppm / COVERAGE", "half_ppm"),
        nearer_end=("max(median - low, high - median)", "min(median - low, high - median)"),
        best_of_the_system_s_words=(
            "max(stated, default=HOST_HALF_WIDTH_S)",
            "min(stated, default=HOST_HALF_WIDTH_S)",
        ),
        bend_counted_once=("end_s = max(end_s, 2 * bend_s)", "end_s = max(end_s, bend_s)"),
        no_bend_without_a_slew=("corrected *= 0.5 *", "corrected *= 1.0 *"),
    ),
    *of(
        "sound/hostfit.py",
        "sound/test_hostfit.py",
        late_rows_place_no_loss=("math.sqrt(1 / 12 + late / (1 - late) ** 2)", "math.sqrt(1 / 12)"),
        place_within_two_rows=("math.sqrt(1 / 12 + late", "math.sqrt(1 / 3 + late"),
    ),
    *of(
        "sound/hostfit.py",
        "sound/test_timebase.py",
        students_factor_dropped=("return slope, error * student, span_s", "return slope, error, span_s"),
        segments_independent=("* (1 + memory) / (1 - memory))", ")"),
        late_arrivals_tell_the_time=("np.quantile(level[rows], DECILE)", "np.quantile(level[rows], 0.9)"),
    ),
    # regulation
    *of(
        "regulation/handcheck.py",
        "regulation/test_handcheck.py",
        "published/test_straight_line.py",
        students_factor_dropped=("float(stdtrit(freedom, 0.975)) / COVERAGE", "1.0"),
        birge_s_ratio_squared=("math.sqrt(chi_squared / freedom)", "(chi_squared / freedom)"),
        half_width_as_a_standard_uncertainty=("/ math.sqrt(3.0)\n    weight", "\n    weight"),
        sightings_weighted_alike=("weight = sigma_s**-2.0", "weight = sigma_s**0.0"),
        freedom_of_all_sightings=("freedom = len(seen) - 2", "freedom = len(seen) - 1"),
    ),
    *of(
        "regulation/beatsetting.py",
        "regulation/test_beatsetting.py",
        unsure_at_ninety_per_cent=(
            "unsure = abs(value) <= COVERAGE * sigma",
            "unsure = abs(value) <= 1.64 * sigma",
        ),
        fork_the_other_way=(
            'fork: Side = "a" if value > 0 else "b"',
            'fork: Side = "b" if value > 0 else "a"',
        ),
    ),
    *of(
        "regulation/freeswing.py",
        "regulation/test_freeswing.py",
        settling_as_slow_as_a_fall=(
            "settling_time_s=q * period / (2 * math.pi)",
            "settling_time_s=q * period / math.pi",
        ),
        student_dropped=(
            "factor = student_factor(len(arc) - (3 if best.law",
            "factor = 1.0 or student_factor(len(arc) - (3 if best.law",
        ),
        spacing_halved=("np.asarray(number * spacing)", "np.asarray(number * spacing / 2)"),
        one_law_alone=(
            "decay.q_over_laws(fits, at, period, factor) if len(arc) > 2",
            "_wide(best.q_at(at, period), factor) if len(arc) > 2",
        ),
    ),
    *of(
        "learning/course.py",
        "learning/test_course.py",
        setting_summed_from_moves=("moved = work.setting - before", "moved = work.setting"),
        setting_begins_at_zero=("return work.setting - place", "return 0.0"),
        record_for_the_beginning=("    return on_record\n", "    return None\n"),
        weights_replace_each_other=("self.mass_g += added", "self.mass_g = added"),
        moves_replace_each_other=("self.place += moved", "self.place = moved"),
        doubts_are_kept_for_good=(
            "self.mass_variance = self.setting_variance = self.handling = 0.0\n        self.unknown",
            "self.handling = 0.0\n        self.unknown",
        ),
        doubts_added_straight=("self.mass_variance += doubt**2", "self.mass_variance += doubt"),
        weight_doubt_dropped=(
            "WEIGHT_DOUBT * abs(added) if work.doubt_g is None",
            "0.0 * abs(added) if work.doubt_g is None",
        ),
        handling_dropped=("max(step.handling, HANDLING_S_PER_DAY) if worked else 0.0", "0.0"),
        handling_always=(
            "max(step.handling, HANDLING_S_PER_DAY) if worked else 0.0",
            "max(step.handling, HANDLING_S_PER_DAY)",
        ),
        unknown_amount_is_zero=(
            "if added is None:\n                self.unknown = True",
            "if added is None:\n                self.unknown = False",
        ),
        contradiction_not_doubted=(
            "self.setting_variance += (work.setting - before - moved) ** 2",
            "self.setting_variance += 0.0",
        ),
        new_spring_is_the_old_one=("self.spring += 1", "self.spring += 0"),
        work_counts_before_it_was_done=(
            "if work.done_at_s <= one.from_s]",
            "if work.done_at_s <= one.until_s + 1e5]",
        ),
        hand_check_over_work_counts=(
            'if one.source == "hand check" and between:',
            'if one.source == "none" and between:',
        ),
        crystal_doubt_beyond_the_rate_s=(
            "min(heard.timebase_s_per_day, heard.rate_s_per_day.std_dev)",
            "heard.timebase_s_per_day",
        ),
    ),
    *of(
        "learning/learnt.py",
        "learning/test_learn.py",
        handling_dropped_from_the_promise=("            + change.handling_s_per_day**2\n", ""),
        mass_doubt_dropped_from_the_promise=(
            "            + (HALF_DAY_S * m.per_gram / then * change.mass_doubt_g) ** 2\n",
            "",
        ),
        setting_doubt_dropped_from_the_promise=(
            "            + (m.effect**2 + m.effect_variance) * change.setting_doubt**2\n",
            "",
        ),
        effect_s_doubt_dropped_from_the_promise=("            + change.move**2 * m.effect_variance\n", ""),
        wander_dropped_from_the_promise=(
            "rest.variance + (self.mixture.wander**2 + room) / nights",
            "rest.variance",
        ),
        wander_of_every_night_alike=(
            "(self.mixture.wander**2 + room) / nights",
            "(self.mixture.wander**2 + room)",
        ),
    ),
    *of(
        "regulation/temperature.py",
        "regulation/test_temperature.py",
        drift_left_in=(
            "(middle - middle.mean()) / max(float(np.ptp(middle)), 1.0),",
            "0 * (middle - middle.mean()) + 1e-9 * np.arange(len(middle)),",
        ),
    ),
    *of(
        "regulation/waiting.py",
        "regulation/test_waiting.py",
        share_left_not_logged=("-math.log(share)", "(1 - share)"),
    ),
    *IN_ROOMS,
]
