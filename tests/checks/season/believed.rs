//! Seasons of the profile that ships, which says how sure its sums are: dates carry the doubt of weather and insect.

use super::{check, seasons};

seasons! {
    // The year's course.

    a_normal_year_rings_five_times: "pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready out (opening-near)",
        "02-24 page ready plain", "03-14 inspect-now out (begun-likely)", "03-14 page look plain",
        "04-06 wash-now out (best-days) by 04-14", "04-06 page wash plain",
        "04-11 last-days-to-wash out (deadline-near) by 04-14", "04-11 page last plain", "04-15 page over plain",
        "04-23 too-late-to-wash out (closed)";
    a_warm_spring: "speed 1.3; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-14 get-ready out (opening-near)",
        "02-14 page ready plain", "03-05 inspect-now out (begun-likely)", "03-05 page look plain",
        "03-25 wash-now out (best-days) by 04-02", "03-25 page wash plain",
        "03-30 last-days-to-wash out (deadline-near) by 04-02", "03-30 page last plain", "04-03 page over plain",
        "04-10 too-late-to-wash out (closed)";
    a_heat_wave_after_wash_now_moves_the_deadline_and_brings_the_last_days: "heat 04-03..04-20 20" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-05 wash-now out (best-days) by 04-12", "04-09 last-days-to-wash out (deadline-near) by 04-12",
        "04-13 too-late-to-wash out (closed)";
    a_cold_april_moves_the_deadline_and_says_so_once: "heat 04-04..05-10 1; to 06-20" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-17 wash-now out (best-days) by 04-25", "04-21 deadline-moved out (moved) by 04-29",
        "04-21 remark was-early/wash-now", "04-22 last-days-to-wash out (deadline-near) by 04-29",
        "05-22 too-late-to-wash out (closed)";
    a_place_too_cold_for_the_insect_stays_silent: "speed 0.03; to over" => ;
    a_place_where_few_years_are_warm_enough_stays_silent: "speed 0.06; to over" => ;
    the_highest_region_has_the_same_course_in_may_and_june: "speed 0.35; to 07-31" =>
        "04-18 get-ready out (opening-near)", "05-05 inspect-now out (begun-likely)",
        "06-08 wash-now out (best-days) by 06-16", "06-13 last-days-to-wash out (deadline-near) by 06-16",
        "07-05 too-late-to-wash out (closed)";

    // Set up in mid-season: one notice, and the apt one.

    set_up_when_it_is_time_to_look: "from 03-25" =>
        "03-25 get-ready skipped (window-open)", "03-25 inspect-now out (crossed)",
        "04-06 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    set_up_within_the_best_days: "from 04-04" =>
        "04-04 get-ready skipped (window-open)", "04-04 inspect-now out (crossed)",
        "04-06 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    set_up_in_the_last_days: "from 04-12" =>
        "04-12 get-ready skipped (window-open)", "04-12 inspect-now skipped (past-use)",
        "04-12 wash-now skipped (overtaken)", "04-12 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    set_up_after_the_deadline: "from 04-20" =>
        "04-20 get-ready skipped (window-closed)", "04-20 inspect-now skipped (window-closed)",
        "04-20 wash-now skipped (window-closed)", "04-20 last-days-to-wash skipped (window-closed)",
        "04-23 too-late-to-wash out (closed)";

    // Outages.

    an_outage_over_the_look_and_the_wash: "down 03-05..04-04" =>
        "02-24 get-ready out (opening-near)", "04-05 inspect-now out (crossed)",
        "04-06 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    an_outage_into_the_last_days: "down 03-05..04-09" =>
        "02-24 get-ready out (opening-near)", "04-10 inspect-now skipped (past-use)",
        "04-10 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    an_outage_after_wash_now_past_the_deadline: "down 04-05..04-25" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-26 wash-now skipped (window-closed)", "04-26 last-days-to-wash skipped (window-closed)",
        "04-26 too-late-to-wash out (closed)";

    // Reports.

    three_zeros_put_the_notices_off: "report 03-13 none; report 03-13 none; report 03-13 none" =>
        "02-24 get-ready out (opening-near)", "03-13 remark was-early/get-ready",
        "03-21 inspect-now out (begun-likely)", "04-09 wash-now out (best-days) by 04-17",
        "04-14 last-days-to-wash out (deadline-near) by 04-17", "04-26 too-late-to-wash out (closed)";
    zeros_after_wash_now_move_the_deadline_by_reports: "report 04-08 none; report 04-08 none; report 04-08 none; ask 04-08 deadline-moved" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-06 wash-now out (best-days) by 04-14",
        "04-08 announce at once, of use to 2019-04-15: deadline moved from 2019-04-14 to 2019-04-29 (reports)",
        "04-08 deadline-moved out (moved) by 04-29", "04-08 remark was-early/get-ready",
        "04-08 remark was-early/inspect-now", "04-08 remark was-early/wash-now",
        "04-18 last-days-to-wash out (deadline-near) by 04-29", "05-09 too-late-to-wash out (closed)";
    eggs_seen_early_bring_all_forward: "report 03-01 egg-laying-begins" =>
        "02-24 get-ready out (opening-near)", "03-01 inspect-now out (seen)", "03-01 remark seen-before-model/r1",
        "03-16 wash-now out (best-days) by 04-01", "03-21 last-days-to-wash out (deadline-near) by 04-01",
        "04-10 too-late-to-wash out (closed)";
    eggs_seen_before_get_ready_are_one_notice: "report 02-01 egg-laying-begins" =>
        "02-01 get-ready skipped (window-open)", "02-01 inspect-now out (seen)", "02-01 remark seen-before-model/r1",
        "02-27 wash-now out (best-days) by 03-18", "03-07 last-days-to-wash out (deadline-near) by 03-18",
        "03-31 too-late-to-wash out (closed)";
    one_report_of_the_hatch_closes_nothing: "report 04-04 eggs-hatch" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-04 wash-now out (best-days) by 04-12", "04-04 remark seen-before-model/r1",
        "04-09 last-days-to-wash out (deadline-near) by 04-12", "04-16 too-late-to-wash out (closed)";
    two_trees_with_hatched_eggs_are_the_last_days: "report 04-04 eggs-hatch tree a; report 04-05 eggs-hatch tree b; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready out (opening-near)",
        "02-24 page ready plain", "03-14 inspect-now out (begun-likely)", "03-14 page look plain",
        "04-04 wash-now out (best-days) by 04-12", "04-04 remark seen-before-model/r1", "04-04 page wash plain",
        "04-05 last-days-to-wash out (seen) by 04-12", "04-05 remark seen-before-model/r2", "04-05 page last plain",
        "04-13 too-late-to-wash out (closed)", "04-13 page over plain";
    one_tree_seen_twice_is_one_tree: "report 04-04 eggs-hatch tree a; report 04-05 eggs-hatch tree a" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-04 wash-now out (best-days) by 04-12", "04-04 remark seen-before-model/r1",
        "04-05 remark seen-before-model/r2", "04-09 last-days-to-wash out (deadline-near) by 04-12",
        "04-16 too-late-to-wash out (closed)";
    none_seen_though_laying_had_very_likely_begun: "report 04-05 none unconfirmed; report 04-05 none unconfirmed clean" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)", "04-05 remark saw-none/r1",
        "04-06 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "04-23 too-late-to-wash out (closed)";
    a_zero_that_waits_for_a_word: "report 03-10 none unconfirmed" =>
        "02-24 get-ready out (opening-near)", "03-10 remark report-unconfirmed/r1",
        "03-14 inspect-now out (begun-likely)", "04-06 wash-now out (best-days) by 04-14",
        "04-11 last-days-to-wash out (deadline-near) by 04-14", "04-23 too-late-to-wash out (closed)";

    // Staff.

    where_nobody_confirms_nothing_goes_out: "region when-confirmed; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready asks (opening-near, by-policy)",
        "02-24 page quiet for ready awaited", "03-14 get-ready skipped (window-open)",
        "03-14 inspect-now asks (begun-likely, by-policy)", "03-14 page ready for look awaited",
        "04-06 inspect-now skipped (past-use)", "04-06 wash-now asks (best-days, by-policy) by 04-14",
        "04-06 page ready for wash awaited", "04-11 last-days-to-wash asks (deadline-near, by-policy) by 04-14",
        "04-11 page ready for last awaited", "04-15 wash-now skipped (window-closed)",
        "04-15 last-days-to-wash skipped (window-closed)", "04-15 page over awaited",
        "04-23 too-late-to-wash asks (closed, by-policy)", "05-15 too-late-to-wash skipped (past-use)";
    where_only_the_last_word_is_given_the_last_days_go_out: "region when-confirmed; confirm 04-12 last-days-to-wash" =>
        "02-24 get-ready asks (opening-near, by-policy)", "03-14 get-ready skipped (window-open)",
        "03-14 inspect-now asks (begun-likely, by-policy)", "04-06 inspect-now skipped (past-use)",
        "04-06 wash-now asks (best-days, by-policy) by 04-14",
        "04-11 last-days-to-wash asks (deadline-near, by-policy) by 04-14", "04-12 last-days-to-wash confirm",
        "04-12 wash-now skipped (overtaken)", "04-23 too-late-to-wash asks (closed, by-policy)",
        "05-15 too-late-to-wash skipped (past-use)";
    a_held_wash_now_is_overtaken_by_the_last_days: "region unless-held; hold 04-07 wash-now; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "02-24 get-ready in 48 h (opening-near)",
        "02-24 page ready due", "02-26 get-ready out", "02-26 page ready plain",
        "03-14 inspect-now in 48 h (begun-likely)", "03-14 page look due", "03-16 inspect-now out",
        "03-16 page look plain", "04-06 wash-now in 48 h (best-days) by 04-14", "04-06 page wash due",
        "04-07 wash-now hold", "04-07 page look for wash held", "04-11 wash-now skipped (overtaken)",
        "04-11 last-days-to-wash in 48 h (deadline-near) by 04-14", "04-11 page last due",
        "04-13 last-days-to-wash out", "04-13 page last plain", "04-15 page over plain",
        "04-23 too-late-to-wash in 48 h (closed)", "04-23 page over due", "04-25 too-late-to-wash out",
        "04-25 page over plain";
    a_cancelled_wash_now_leaves_the_last_days: "region unless-held; cancel 04-07 wash-now" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out", "03-14 inspect-now in 48 h (begun-likely)",
        "03-16 inspect-now out", "04-06 wash-now in 48 h (best-days) by 04-14", "04-07 wash-now cancel",
        "04-11 last-days-to-wash in 48 h (deadline-near) by 04-14", "04-13 last-days-to-wash out",
        "04-23 too-late-to-wash in 48 h (closed)", "04-25 too-late-to-wash out";
    staff_who_call_off_both_hear_no_more: "region unless-held; cancel 03-15 inspect-now; cancel 04-07 wash-now" =>
        "02-24 get-ready in 48 h (opening-near)", "02-26 get-ready out", "03-14 inspect-now in 48 h (begun-likely)",
        "03-15 inspect-now cancel", "04-06 wash-now in 48 h (best-days) by 04-14", "04-07 wash-now cancel",
        "04-07 last-days-to-wash skipped (inspect-never-sent)", "04-23 too-late-to-wash in 48 h (closed)",
        "04-25 too-late-to-wash out";
    too_late_can_be_switched_off: "set too_late_on 0; ask 05-20 too-late-to-wash" =>
        "02-24 get-ready out (opening-near)", "03-14 inspect-now out (begun-likely)",
        "04-06 wash-now out (best-days) by 04-14", "04-11 last-days-to-wash out (deadline-near) by 04-14",
        "05-20 quiet: switched off";
}
