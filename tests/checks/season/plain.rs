//! Seasons of a profile that does not say how sure its sums are, nor how eggs spread over heat: its dates carry the doubt of the
//! weather alone, no best days are told, and "inspect now" tells until when to wash.

use super::{check, seasons};

seasons! {
    // What the page says beside what goes out.

    the_page_goes_with_the_notices: "plain; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready out (opening-near)",
        "02-24 page ready plain", "03-17 inspect-now out (begun-likely) by 04-16", "03-17 page look plain",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-05 page last plain", "04-17 page over plain",
        "04-23 too-late-to-wash out (closed)";
    where_staff_confirm_the_page_waits_one_step_behind_the_heat:
        "plain; region when-confirmed; confirm 02-26 get-ready; confirm 03-20 inspect-now; confirm 04-08 last-days-to-wash; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, by-policy)",
        "02-24 page quiet for ready awaited", "02-26 get-ready confirm", "02-26 page ready plain",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-17 page ready for look awaited",
        "03-20 inspect-now confirm", "03-20 page look plain",
        "04-05 last-days-to-wash asks (deadline-near, by-policy) by 04-16", "04-05 page look for last awaited",
        "04-08 last-days-to-wash confirm", "04-08 page last plain", "04-17 page over awaited",
        "04-23 too-late-to-wash asks (closed, by-policy)", "05-15 too-late-to-wash skipped (past-use)";
    where_nobody_ever_confirms_the_page_stays_behind_until_it_is_over: "plain; region when-confirmed; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, by-policy)",
        "02-24 page quiet for ready awaited", "03-17 get-ready skipped (window-open)",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-17 page ready for look awaited",
        "04-07 last-days-to-wash asks (deadline-near, by-policy) by 04-18", "04-07 page ready for last awaited",
        "04-15 inspect-now skipped (past-use)", "04-20 last-days-to-wash skipped (window-closed)",
        "04-20 page over awaited", "04-23 too-late-to-wash asks (closed, by-policy)",
        "05-15 too-late-to-wash skipped (past-use)";
    what_staff_hold_the_page_does_not_call_out:
        "plain; region unless-held; hold 03-18 inspect-now; confirm 03-25 inspect-now; pages; to 04-01" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready in 48 h (opening-near)",
        "02-24 page ready due", "02-26 get-ready out", "02-26 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-17 page look due", "03-18 inspect-now hold",
        "03-18 page ready for look held", "03-25 inspect-now confirm", "03-25 page look plain";
    what_staff_call_off_the_page_does_not_call_out: "plain; region unless-held; cancel 03-18 inspect-now; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready in 48 h (opening-near)",
        "02-24 page ready due", "02-26 get-ready out", "02-26 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-17 page look due", "03-18 inspect-now cancel",
        "03-18 last-days-to-wash skipped (inspect-never-sent)", "03-18 page ready for look held",
        "04-07 page ready for last held", "04-20 page over plain", "04-23 too-late-to-wash in 48 h (closed)",
        "04-23 page over due", "04-25 too-late-to-wash out", "04-25 page over plain";
    held_last_days_leave_the_page_at_look: "plain; region unless-held; hold 04-06 last-days-to-wash; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready in 48 h (opening-near)",
        "02-24 page ready due", "02-26 get-ready out", "02-26 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-17 page look due", "03-19 inspect-now out",
        "03-19 page look plain", "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-05 page last due",
        "04-06 last-days-to-wash hold", "04-06 page look for last held",
        "04-17 last-days-to-wash skipped (window-closed)", "04-17 page over plain",
        "04-23 too-late-to-wash in 48 h (closed)", "04-23 page over due", "04-25 too-late-to-wash out",
        "04-25 page over plain";
    doubtful_temperatures_leave_the_word_and_its_doubt: "plain; filled 02-01..02-20; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, untrusted)",
        "02-24 page ready doubted", "03-17 inspect-now asks (begun-likely, untrusted) by 04-16",
        "03-17 page look doubted", "04-07 last-days-to-wash asks (deadline-near, untrusted) by 04-18",
        "04-07 page last doubted", "04-15 get-ready skipped (past-use)", "04-15 inspect-now skipped (past-use)",
        "04-20 last-days-to-wash skipped (window-closed)", "04-20 page over doubted",
        "04-23 too-late-to-wash asks (closed, untrusted)", "05-15 too-late-to-wash skipped (past-use)",
        "05-15 page over plain";
    what_a_person_saw_is_in_no_doubt: "plain; filled 02-01..02-20; report 03-10 egg-laying-begins; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, untrusted)",
        "02-24 page ready doubted", "03-10 get-ready skipped (window-open)", "03-10 inspect-now out (seen) by 04-11",
        "03-10 remark seen-before-model/r1", "03-10 page look plain",
        "03-31 last-days-to-wash asks (deadline-near, untrusted) by 04-11", "03-31 page last doubted",
        "04-10 deadline-moved asks (moved, untrusted) by 04-15", "04-12 deadline-moved skipped (window-closed)",
        "04-12 last-days-to-wash skipped (window-closed)", "04-12 page over plain",
        "04-19 too-late-to-wash asks (closed, untrusted)", "04-19 page over doubted",
        "05-11 too-late-to-wash skipped (past-use)", "05-11 page over plain";
    too_late_is_said_whatever_waits: "plain; region when-confirmed; confirm 02-26 get-ready; confirm 03-20 inspect-now; confirm 04-08 last-days-to-wash; pages; to 05-01" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, by-policy)",
        "02-24 page quiet for ready awaited", "02-26 get-ready confirm", "02-26 page ready plain",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-17 page ready for look awaited",
        "03-20 inspect-now confirm", "03-20 page look plain",
        "04-05 last-days-to-wash asks (deadline-near, by-policy) by 04-16", "04-05 page look for last awaited",
        "04-08 last-days-to-wash confirm", "04-08 page last plain", "04-17 page over awaited",
        "04-23 too-late-to-wash asks (closed, by-policy)";

    // The year's course.

    a_normal_year_rings_three_times: "plain" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    data_that_come_three_days_late_cost_one_day: "plain; latency 3" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-15",
        "04-04 last-days-to-wash out (deadline-near) by 04-15", "04-14 deadline-moved out (moved) by 04-19",
        "04-23 too-late-to-wash out (closed)";
    a_record_up_to_this_very_day_rings_on_the_day_of_the_crossing: "plain; latency 0" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (crossed) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    a_heat_wave_in_february_rings_weeks_early: "plain; heat 02-10..02-24 14" =>
        "02-15 get-ready out (opening-near)", "02-20 inspect-now out (begun-likely) by 04-02",
        "02-24 deadline-moved out (moved) by 03-28", "03-17 last-days-to-wash out (deadline-near) by 03-28",
        "04-02 too-late-to-wash out (closed)";
    a_heat_wave_after_laying_began_brings_the_last_days_forward: "plain; heat 03-18..04-10 20" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-21 deadline-moved out (moved) by 04-11", "03-25 last-days-to-wash out (deadline-near) by 04-05",
        "04-06 too-late-to-wash out (closed)";
    a_cold_march_rings_late: "plain; heat 03-01..03-31 0.5" =>
        "02-24 get-ready out (opening-near)", "03-05 remark was-early/get-ready",
        "04-09 inspect-now out (begun-likely) by 05-02", "04-21 last-days-to-wash out (deadline-near) by 05-02",
        "05-08 too-late-to-wash out (closed)";
    a_late_frost_after_get_ready_is_told_to_staff_and_inspect_now_waits: "plain; heat 03-12..03-31 0" =>
        "02-24 get-ready out (opening-near)", "03-16 remark was-early/get-ready",
        "04-04 inspect-now out (begun-likely) by 04-28", "04-17 last-days-to-wash out (deadline-near) by 04-28",
        "05-04 too-late-to-wash out (closed)";
    a_cold_april_puts_the_last_days_off: "plain; heat 03-18..05-10 0.5" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-25 deadline-moved out (moved) by 04-20", "04-17 last-days-to-wash out (deadline-near) by 05-07";
    a_place_too_cold_for_the_insect_stays_silent: "plain; speed 0.03; to over" =>
        ;
    a_short_season_rings_in_august_and_ends_without_a_hatch: "plain; speed 0.1; to over" =>
        "08-03 get-ready out (opening-near)", "08-25 inspect-now out (begun-likely) by 09-24",
        "09-13 last-days-to-wash out (deadline-near) by 09-24";

    // Many places, one day.

    on_the_same_day_the_southernmost_region_hears_of_the_last_days: "plain; speed 1.8; to 03-19; ask 03-19 last-days-to-wash" =>
        "02-03 get-ready out (opening-near)", "02-25 inspect-now out (begun-likely) by 03-19",
        "03-08 last-days-to-wash out (deadline-near) by 03-19", "03-19 quiet: already told on 2019-03-08";
    and_the_highest_region_hears_nothing_yet: "plain; speed 0.35; to 03-19; ask 03-19 get-ready" =>
        "03-19 quiet: opening not likely before 2019-05-08";
    the_highest_region_has_the_same_course_in_may_and_june: "plain; speed 0.35; to 07-15" =>
        "04-18 get-ready out (opening-near)", "05-09 inspect-now out (begun-likely) by 06-25",
        "06-06 deadline-moved out (moved) by 06-29", "06-18 last-days-to-wash out (deadline-near) by 06-29",
        "07-05 too-late-to-wash out (closed)";

    // The calendar.

    a_leap_day_brings_its_heat: "plain; year 2020; heat 02-29 26" =>
        "02-24 get-ready out (opening-near)", "03-12 inspect-now out (begun-likely) by 04-12",
        "04-01 last-days-to-wash out (deadline-near) by 04-12", "04-11 deadline-moved out (moved) by 04-16",
        "04-20 too-late-to-wash out (closed)";
    past_years_without_a_leap_day_project_a_leap_year: "plain; year 2020" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-15",
        "04-04 last-days-to-wash out (deadline-near) by 04-15", "04-15 deadline-moved out (moved) by 04-19",
        "04-22 too-late-to-wash out (closed)";
    before_its_season_a_region_is_silent: "plain; from before; to 01-01; ask eve get-ready; ask 01-01 get-ready" =>
        "12-31 quiet: season begins on 2019-01-01", "01-01 quiet: opening not likely before 2019-03-16";
    a_season_that_crosses_the_year_boundary_is_named_by_the_year_of_its_stages: "midge" =>
        "12-12 get-ready out (opening-near)", "01-02 inspect-now out (begun-likely) by 02-08",
        "01-28 last-days-to-wash out (deadline-near) by 02-08", "02-11 too-late-to-wash out (closed)";
    a_season_may_be_told_wholly_before_the_year_it_is_named_by: "midge; year 2021; heat 12-15..12-31 4" =>
        "12-12 get-ready out (opening-near)", "12-20 inspect-now out (crossed) by 01-25",
        "01-14 last-days-to-wash out (deadline-near) by 01-25", "01-28 too-late-to-wash out (closed)";
    an_outage_over_the_year_boundary_still_rings: "midge; down 12-20..01-05" =>
        "12-12 get-ready out (opening-near)", "01-06 inspect-now out (crossed) by 02-08",
        "01-28 last-days-to-wash out (deadline-near) by 02-08", "02-11 too-late-to-wash out (closed)";
    a_report_in_december_belongs_to_the_season_of_the_next_year: "midge; report 12-30 eggs" =>
        "12-12 get-ready out (opening-near)", "12-30 inspect-now out (seen) by 02-05",
        "12-30 remark seen-before-model/r1", "01-25 last-days-to-wash out (deadline-near) by 02-05",
        "02-08 too-late-to-wash out (closed)";

    // Gaps and filled days.

    a_short_gap_in_january_holds_up_nothing: "plain; gap 01-05..01-12" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    a_gap_over_the_crossing_waits_on_the_chance_of_a_sound_sum: "plain; gap 03-14..03-20" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-15",
        "04-04 last-days-to-wash out (deadline-near) by 04-15", "04-12 deadline-moved out (moved) by 04-19",
        "04-23 too-late-to-wash out (closed)";
    a_crossing_on_filled_days_asks_until_an_observed_day_confirms_it: "plain; heat 03-10..03-31 3; filled 03-19..03-27" =>
        "02-24 get-ready out (opening-near)", "03-19 remark was-early/get-ready",
        "03-22 inspect-now asks (begun-likely, not-on-real-days) by 04-19",
        "03-29 inspect-now freed, out (crossed) by 04-21", "04-10 last-days-to-wash out (deadline-near) by 04-21",
        "04-28 too-late-to-wash out (closed)";
    a_gap_longer_than_the_age_limit_asks: "plain; gap 03-11..03-24" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now asks (begun-likely, untrusted) by 04-15",
        "04-05 inspect-now freed, out (crossed) by 04-18", "04-10 last-days-to-wash out (deadline-near) by 04-18",
        "04-23 too-late-to-wash asks (closed, not-on-real-days)", "04-24 too-late-to-wash freed, out (closed)";
    a_record_silent_for_good_asks_and_then_skips: "plain; gap 03-01..05-31" =>
        "02-24 get-ready out (opening-near)", "03-16 inspect-now asks (begun-likely, untrusted) by 04-14",
        "04-03 last-days-to-wash asks (deadline-near, untrusted) by 04-14", "04-14 inspect-now skipped (past-use)",
        "04-15 last-days-to-wash skipped (window-closed)", "04-22 too-late-to-wash asks (closed, untrusted)",
        "05-14 too-late-to-wash skipped (past-use)";
    too_much_filled_asks_for_every_notice_and_none_goes_out_unconfirmed: "plain; filled 02-20..03-31" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now asks (begun-likely, untrusted) by 04-16",
        "04-07 last-days-to-wash asks (deadline-near, untrusted) by 04-18", "04-15 inspect-now skipped (past-use)",
        "04-20 last-days-to-wash skipped (window-closed)", "04-23 too-late-to-wash asks (closed, untrusted)",
        "05-15 too-late-to-wash skipped (past-use)";
    staff_may_confirm_what_the_record_cannot: "plain; filled 02-01..03-31; confirm 02-26 get-ready; confirm 03-18 inspect-now; confirm 04-08 last-days-to-wash" =>
        "02-24 get-ready asks (opening-near, untrusted)", "02-26 get-ready confirm",
        "03-17 inspect-now asks (begun-likely, untrusted) by 04-16", "03-18 inspect-now confirm",
        "04-05 last-days-to-wash asks (deadline-near, untrusted) by 04-16", "04-08 last-days-to-wash confirm",
        "04-23 too-late-to-wash asks (closed, untrusted)", "05-15 too-late-to-wash skipped (past-use)";
    a_notice_is_freed_once_the_record_is_sound_again: "plain; filled 01-20..01-30" =>
        "02-24 get-ready asks (opening-near, untrusted)", "03-16 get-ready freed, out (opening-near)",
        "03-17 inspect-now out (begun-likely) by 04-16", "04-05 last-days-to-wash out (deadline-near) by 04-16",
        "04-23 too-late-to-wash out (closed)";
    data_a_week_old_ask: "plain; latency 7" =>
        "02-24 get-ready asks (opening-near, untrusted)", "03-17 inspect-now asks (begun-likely, untrusted) by 04-15",
        "04-06 last-days-to-wash asks (deadline-near, untrusted) by 04-17", "04-15 get-ready skipped (past-use)",
        "04-15 inspect-now skipped (past-use)", "04-20 last-days-to-wash skipped (window-closed)",
        "04-23 too-late-to-wash asks (closed, untrusted)", "05-15 too-late-to-wash skipped (past-use)";
    too_few_past_years_ask: "plain; years 3" =>
        "02-24 get-ready asks (opening-near, untrusted)", "03-17 inspect-now asks (begun-likely, untrusted) by 04-15",
        "04-06 last-days-to-wash asks (deadline-near, untrusted) by 04-17", "04-15 get-ready skipped (past-use)",
        "04-15 inspect-now skipped (past-use)", "04-20 last-days-to-wash skipped (window-closed)",
        "04-23 too-late-to-wash asks (closed, untrusted)", "05-15 too-late-to-wash skipped (past-use)";
    without_past_years_only_the_crossing_itself_asks: "plain; years 0" =>
        "03-18 inspect-now asks (crossed, untrusted) by 04-16",
        "04-05 last-days-to-wash asks (deadline-near, untrusted) by 04-16", "04-15 get-ready skipped (past-use)",
        "04-15 inspect-now skipped (past-use)", "04-17 last-days-to-wash skipped (window-closed)",
        "04-24 too-late-to-wash asks (closed, untrusted)", "05-16 too-late-to-wash skipped (past-use)";

    // Revised data.

    new_data_never_sends_twice: "plain; revised 03-20 03-01..03-16 9" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-20 deadline-moved out (moved) by 04-09", "03-29 last-days-to-wash out (deadline-near) by 04-09",
        "04-15 too-late-to-wash out (closed)";
    a_notice_that_revised_data_shows_as_early_is_told_to_staff: "plain; revised 03-20 03-01..03-16 3" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-20 remark was-early/get-ready", "03-20 remark was-early/inspect-now",
        "03-24 deadline-moved out (moved) by 04-20", "04-09 last-days-to-wash out (deadline-near) by 04-20",
        "04-27 too-late-to-wash out (closed)";
    a_notice_early_by_less_than_the_limit_is_not_worth_a_word: "plain; revised 03-20 03-16..03-17 1" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-13 deadline-moved out (moved) by 04-20",
        "04-24 too-late-to-wash out (closed)";
    a_crossing_that_revised_data_takes_back_is_not_sent_again: "plain; revised 04-01 02-01..02-28 0" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-01 deadline-moved out (moved) by 04-26", "04-01 remark was-early/get-ready",
        "04-01 remark was-early/inspect-now", "04-15 last-days-to-wash out (deadline-near) by 04-26",
        "05-03 too-late-to-wash out (closed)";
    revised_data_that_show_an_earlier_crossing_ring_at_once: "plain; revised 03-10 02-01..02-28 6" =>
        "02-24 get-ready out (opening-near)", "03-10 inspect-now out (crossed) by 04-06",
        "03-26 last-days-to-wash out (deadline-near) by 04-06", "04-12 too-late-to-wash out (closed)";
    revised_data_stop_a_notice_that_still_waits_for_its_hour: "plain; region unless-held; revised 03-18 02-01..02-28 0" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-18 inspect-now stopped (now-too-early)",
        "03-18 remark was-early/get-ready", "04-02 inspect-now freed, in 48 h (begun-likely) by 04-26",
        "04-04 inspect-now out", "04-15 last-days-to-wash in 48 h (deadline-near) by 04-26",
        "04-17 last-days-to-wash out", "05-03 too-late-to-wash in 48 h (closed)", "05-05 too-late-to-wash out";
    a_record_that_goes_bad_stops_a_notice_that_still_waits_for_its_hour: "plain; region unless-held; heat 03-10..03-12 6.2; gap 03-13..03-20" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out",
        "03-16 inspect-now in 48 h (begun-likely) by 04-15", "03-18 inspect-now out",
        "04-04 last-days-to-wash in 48 h (deadline-near) by 04-15", "04-06 last-days-to-wash out",
        "04-22 too-late-to-wash in 48 h (closed)", "04-24 too-late-to-wash out";

    // Outages of the service.

    an_outage_over_get_ready_sends_it_while_of_use: "plain; down 02-20..02-28" =>
        "03-01 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    an_outage_over_the_crossing_sends_inspect_now_while_of_use: "plain; down 03-10..03-25" =>
        "02-24 get-ready out (opening-near)", "03-26 inspect-now out (crossed) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    an_outage_over_both_sends_the_later_one_only: "plain; down 02-20..03-20" =>
        "03-21 get-ready skipped (window-open)", "03-21 inspect-now out (crossed) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    an_outage_into_the_last_days_sends_those_only: "plain; down 03-10..04-10" =>
        "02-24 get-ready out (opening-near)", "04-11 inspect-now skipped (overtaken)",
        "04-11 last-days-to-wash out (deadline-near) by 04-18", "04-23 too-late-to-wash out (closed)";
    an_outage_of_more_than_its_use_skips_inspect_now_and_the_last_days_stand_alone: "plain; set useful_inspect 10; down 03-10..03-28" =>
        "02-24 get-ready out (opening-near)", "03-29 inspect-now skipped (past-use)",
        "04-07 last-days-to-wash out (deadline-near) by 04-18", "04-23 too-late-to-wash out (closed)";
    last_days_go_out_a_day_after_inspect_now_at_the_earliest: "plain; heat 03-18..03-31 20; down 03-10..03-22" =>
        "02-24 get-ready out (opening-near)", "03-23 inspect-now out (crossed) by 04-08",
        "03-26 deadline-moved out (moved) by 04-04", "03-28 last-days-to-wash out (deadline-near) by 03-31",
        "04-01 too-late-to-wash out (closed)";
    an_outage_into_the_last_days_sends_them_late: "plain; down 03-18..04-10" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-11 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    an_outage_past_the_hatch_skips_the_last_days: "plain; down 03-18..05-01" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "05-02 last-days-to-wash skipped (window-closed)", "05-02 too-late-to-wash out (closed)";
    a_whole_window_missed_is_a_record_of_each: "plain; down 03-01..05-15" =>
        "02-24 get-ready out (opening-near)", "05-16 inspect-now skipped (window-closed)",
        "05-16 last-days-to-wash skipped (window-closed)", "05-16 too-late-to-wash skipped (past-use)";

    // What people saw.

    a_field_report_before_the_model_rings_and_brings_the_hatch_forward: "plain; report 03-08 egg-laying-begins" =>
        "02-24 get-ready out (opening-near)", "03-08 inspect-now out (seen) by 04-10",
        "03-08 remark seen-before-model/r1", "03-30 last-days-to-wash out (deadline-near) by 04-10",
        "04-17 too-late-to-wash out (closed)";
    a_field_report_before_get_ready_takes_its_place: "plain; report 02-20 egg-laying-begins" =>
        "02-20 get-ready skipped (window-open)", "02-20 inspect-now out (seen) by 04-02",
        "02-20 remark seen-before-model/r1", "03-22 last-days-to-wash out (deadline-near) by 04-02",
        "04-09 too-late-to-wash out (closed)";
    a_field_report_after_the_model_changes_nothing: "plain; report 03-20 egg-laying-begins" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    an_unconfirmed_field_report_only_makes_a_remark: "plain; report 03-10 egg-laying-begins unconfirmed" =>
        "02-24 get-ready out (opening-near)", "03-10 remark report-unconfirmed/r1",
        "03-17 inspect-now out (begun-likely) by 04-16", "04-05 last-days-to-wash out (deadline-near) by 04-16",
        "04-23 too-late-to-wash out (closed)";
    looked_and_saw_none_before_the_crossing_agrees_with_the_model: "plain; report 03-10 none" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    looked_and_saw_none_after_the_crossing_is_remarked_and_stops_nothing: "plain; report 03-20 none unconfirmed" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-20 remark saw-none/r1", "04-05 last-days-to-wash out (deadline-near) by 04-16",
        "04-23 too-late-to-wash out (closed)";
    a_field_report_frees_a_notice_that_the_record_could_not: "plain; filled 02-20..03-31; report 03-20 egg-laying-begins" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now asks (begun-likely, untrusted) by 04-16",
        "03-20 inspect-now freed, out (seen) by 04-16", "03-20 remark seen-before-model/r1",
        "04-05 last-days-to-wash asks (deadline-near, untrusted) by 04-16",
        "04-17 last-days-to-wash skipped (window-closed)", "04-23 too-late-to-wash asks (closed, untrusted)",
        "05-15 too-late-to-wash skipped (past-use)";
    a_field_report_needs_no_past_years: "plain; years 0; report 03-10 egg-laying-begins" =>
        "03-10 get-ready skipped (window-open)", "03-10 inspect-now out (seen) by 04-09",
        "03-10 remark seen-before-model/r1", "03-29 last-days-to-wash asks (deadline-near, untrusted) by 04-09",
        "04-10 last-days-to-wash skipped (window-closed)", "04-20 too-late-to-wash asks (closed, untrusted)",
        "05-12 too-late-to-wash skipped (past-use)";
    one_tree_with_hatched_eggs_closes_nothing: "plain; report 04-01 eggs-hatch" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-01 remark seen-before-model/r1", "04-05 last-days-to-wash out (deadline-near) by 04-16",
        "04-23 too-late-to-wash out (closed)";
    a_report_of_another_region_counts_for_nothing: "plain; report 03-08 egg-laying-begins; elsewhere" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "04-23 too-late-to-wash out (closed)";
    a_report_of_an_unknown_stage_is_remarked: "plain; report 03-08 needles-drop" =>
        "02-24 get-ready out (opening-near)", "03-08 remark report-of-unknown-stage/r1",
        "03-17 inspect-now out (begun-likely) by 04-16", "04-05 last-days-to-wash out (deadline-near) by 04-16",
        "04-23 too-late-to-wash out (closed)";

    // Staff and the region's policy.

    a_region_that_confirms_hears_what_is_confirmed: "plain; region when-confirmed; confirm 02-25 get-ready; confirm 03-19 inspect-now; confirm 04-07 last-days-to-wash" =>
        "02-24 get-ready asks (opening-near, by-policy)", "02-25 get-ready confirm",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-19 inspect-now confirm",
        "04-05 last-days-to-wash asks (deadline-near, by-policy) by 04-16", "04-07 last-days-to-wash confirm",
        "04-23 too-late-to-wash asks (closed, by-policy)", "05-15 too-late-to-wash skipped (past-use)";
    a_region_that_confirms_hears_nothing_unconfirmed: "plain; region when-confirmed" =>
        "02-24 get-ready asks (opening-near, by-policy)", "03-17 get-ready skipped (window-open)",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16",
        "04-07 last-days-to-wash asks (deadline-near, by-policy) by 04-18", "04-15 inspect-now skipped (past-use)",
        "04-20 last-days-to-wash skipped (window-closed)", "04-23 too-late-to-wash asks (closed, by-policy)",
        "05-15 too-late-to-wash skipped (past-use)";
    get_ready_lapses_when_inspect_now_is_confirmed_first: "plain; region when-confirmed; confirm 03-18 inspect-now" =>
        "02-24 get-ready asks (opening-near, by-policy)", "03-17 get-ready skipped (window-open)",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-18 inspect-now confirm",
        "04-05 last-days-to-wash asks (deadline-near, by-policy) by 04-16",
        "04-17 last-days-to-wash skipped (window-closed)", "04-23 too-late-to-wash asks (closed, by-policy)",
        "05-15 too-late-to-wash skipped (past-use)";
    a_notice_that_may_be_held_leaves_at_its_hour: "plain; region unless-held" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-19 inspect-now out",
        "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-07 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    a_held_notice_waits_for_its_release: "plain; region unless-held; hold 03-18 inspect-now; confirm 03-25 inspect-now" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-18 inspect-now hold", "03-25 inspect-now confirm",
        "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-07 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    a_notice_held_past_its_use_is_skipped: "plain; region unless-held; hold 03-18 inspect-now" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-18 inspect-now hold",
        "04-15 inspect-now skipped (past-use)", "04-15 last-days-to-wash in 48 h (deadline-near) by 04-19",
        "04-17 last-days-to-wash out", "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    a_held_get_ready_is_overtaken_by_inspect_now: "plain; region unless-held; hold 02-25 get-ready" =>
        "02-24 get-ready in 48 h (opening-near)", "02-25 get-ready hold", "03-17 get-ready skipped (window-open)",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-19 inspect-now out",
        "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-07 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    staff_may_confirm_before_the_hour: "plain; region unless-held; confirm 02-25 get-ready" =>
        "02-24 get-ready in 48 h (opening-near)", "02-25 get-ready confirm",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-19 inspect-now out",
        "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-07 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    a_cancelled_get_ready_does_not_stop_inspect_now: "plain; region unless-held; cancel 02-25 get-ready" =>
        "02-24 get-ready in 48 h (opening-near)", "02-25 get-ready cancel",
        "03-17 inspect-now in 48 h (begun-likely) by 04-16", "03-19 inspect-now out",
        "04-05 last-days-to-wash in 48 h (deadline-near) by 04-16", "04-07 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    a_cancelled_inspect_now_ends_the_season: "plain; region when-confirmed; cancel 03-18 inspect-now" =>
        "02-24 get-ready asks (opening-near, by-policy)", "03-17 get-ready skipped (window-open)",
        "03-17 inspect-now asks (begun-likely, by-policy) by 04-16", "03-18 inspect-now cancel",
        "03-18 last-days-to-wash skipped (inspect-never-sent)", "04-23 too-late-to-wash asks (closed, by-policy)",
        "05-15 too-late-to-wash skipped (past-use)";
    a_notice_still_waiting_when_the_season_ends_is_skipped: "plain; region when-confirmed; speed 0.0747; to over" =>
        "11-20 get-ready asks (opening-near, by-policy)", "12-12 get-ready skipped (window-open)",
        "12-12 inspect-now asks (begun-likely, by-policy)", "12-31 last-days-to-wash asks (deadline-near, by-policy)",
        "01-01 inspect-now skipped (season-over)", "01-01 last-days-to-wash skipped (season-over)";

    // Too late to wash.

    too_late_can_be_switched_off: "plain; set too_late_on 0; ask 05-20 too-late-to-wash" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "04-05 last-days-to-wash out (deadline-near) by 04-16", "05-20 quiet: switched off";
    two_trees_with_hatched_eggs_are_the_last_days_at_once: "plain; report 03-25 eggs-hatch; report 03-26 eggs-hatch" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "03-25 remark seen-before-model/r1", "03-26 last-days-to-wash out (seen) by 03-29",
        "03-26 remark seen-before-model/r2", "03-30 too-late-to-wash out (closed)";
    too_late_after_an_outage_skips_the_others: "plain; down 03-01..05-10" =>
        "02-24 get-ready out (opening-near)", "05-11 inspect-now skipped (window-closed)",
        "05-11 last-days-to-wash skipped (window-closed)", "05-11 too-late-to-wash out (closed)";
    too_late_itself_past_its_use_is_skipped: "plain; down 03-18..05-20" =>
        "02-24 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely) by 04-16",
        "05-21 last-days-to-wash skipped (window-closed)", "05-21 too-late-to-wash skipped (past-use)";
}
