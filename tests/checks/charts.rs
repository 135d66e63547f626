//! Checks of the season's chart: what is drawn where, that labels keep clear of each other, and that nothing makes it panic.

use chrono::{Days, NaiveDate};
use proptest::prelude::*;
use resvg::usvg;
use roxmltree::{Document, Node};
use treebell::chart::{ChartDays, ChartStage, HeatUnit, Look, PastSeason, SeasonChart, StageDate, png, season_heat};
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::demo::weather::StateWeather;
use treebell::heat::{Cutoff, DayOrigin, DayTemperatures, HeatRule, Method};
use treebell::language::Language;
use treebell::season::{DateSpread, DaySpan, HeatDay};

/// Filled days of every chart made here, counted from the biofix.
const FILLED: [usize; 5] = [30, 31, 32, 33, 52];
const FORECAST_DAYS: usize = 7;

fn date(month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, month, day).unwrap()
}

fn sums(weather: &StateWeather, station: usize, year: i32, days: usize) -> Vec<f64> {
    let rule = HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap();
    let start = (NaiveDate::from_ymd_opt(year, 1, 1).unwrap() - weather.first).num_days() as usize;
    let mut sum = 0.0;
    let days = weather.stations[station].truth[start..].iter().take(days);
    days.map(|day| {
        sum += rule.degree_days(DayTemperatures { min_c: day.min.c(), max_c: day.max.c() }, None);
        sum
    })
    .collect()
}

/// A season of the invented state as a chart of it would look on `today`.
fn chart(station: usize, today: NaiveDate, language: Language) -> SeasonChart {
    let state = State::built_in().unwrap();
    let weather = weather::make(&state, 1);
    let first = date(1, 1);
    let all = sums(&weather, station, 2025, 250);
    let shown = ((today - first).num_days() as usize + FORECAST_DAYS).min(all.len());
    let heat = (0..shown)
        .map(|at| HeatDay {
            day: first + Days::new(at as u64),
            degree_days: all[at] - if at > 0 { all[at - 1] } else { 0.0 },
            sum: all[at],
            origin: match at {
                at if first + Days::new(at as u64) >= today => DayOrigin::Forecast,
                at if FILLED.contains(&at) => DayOrigin::Interpolated,
                _ => DayOrigin::Observed,
            },
        })
        .collect();
    let mut stages = Vec::new();
    let mut stage = |names: [&str; 2], threshold: Option<f64>, after_hatch: u64| {
        let on = first + Days::new(all.partition_point(|sum| *sum < threshold.unwrap_or(464.0)) as u64 + after_hatch);
        let ahead = (on - today).num_days();
        let spread = (ahead / 5).clamp(1, 10) as u64;
        let date = if ahead < 0 && after_hatch > 0 {
            StageDate::Seen(on)
        } else if ahead < 0 {
            StageDate::Reached(on)
        } else {
            let (early, late) = (Some(on - Days::new(spread)), Some(on + Days::new(spread + 1)));
            StageDate::Projected(DateSpread { early, median: Some(on), late })
        };
        let said =
            ["likely between March 12 and April 24, most likely the 17th", "probable entre el 12 y el 24 de marzo"];
        let [name, said] = [names, said].map(|words| words[usize::from(language == Language::Es)].to_owned());
        stages.push(ChartStage { name, threshold, date, said });
    };
    stage(["egg laying begins", "empieza la puesta de huevos"], Some(214.0), 0);
    stage(["most eggs are laid", "termina la mayor parte de la puesta"], Some(306.0), 0);
    stage(["eggs hatch", "nacen las crías"], Some(464.0), 0);
    stage(["crawlers settled", "crías asentadas"], None, 14);
    let day_of = |sum: f64| first + Days::new(all.partition_point(|of| *of < sum) as u64);
    let best = DaySpan { first: day_of(320.0), last: day_of(400.0) };
    let said = [
        "Look from March 12. Best days to wash: March 30 to April 8. Last day to wash: April 8.",
        "Revise desde el 12 de marzo. Mejores días para lavar: del 30 de marzo al 8 de abril. Último día para lavar: 8 de abril.",
    ];
    let days = ChartDays {
        look_from: day_of(200.0),
        best: Some(best),
        deadline: best.first + Days::new(8),
        ends: Some(day_of(520.0)),
        said: said[usize::from(language == Language::Es)].to_owned(),
    };
    SeasonChart {
        place: state.regions[station].region.name.clone(),
        insect: ["pinyon needle scale", "escama de la aguja del piñón"][usize::from(language == Language::Es)]
            .to_owned(),
        year: 2025,
        biofix: first,
        until: None,
        lower_threshold_c: 4.0,
        heat,
        past: (1990..2025).map(|year| PastSeason { year, sums: sums(&weather, station, year, 250) }).collect(),
        stages,
        days: Some(days),
        today,
        source: format!("{} ({})", state.stations[station].station.name, state.stations[station].station.id),
        note: Some("The heat thresholds are provisional.".to_owned()),
    }
}

fn look(width: u32, language: Language, unit: HeatUnit) -> Look {
    Look { width, language, unit, ..Look::default() }
}

fn with_class<'a>(document: &'a Document<'_>, class: &str) -> Vec<Node<'a, 'a>> {
    document
        .descendants()
        .filter(|node| node.attribute("class").is_some_and(|of| of.split(' ').any(|one| one == class)))
        .collect()
}

fn points(node: &Node<'_, '_>) -> Vec<(f64, f64)> {
    let pair = |text: &str| {
        let (x, y) = text.split_once(',').unwrap();
        (x.parse().unwrap(), y.parse().unwrap())
    };
    node.attribute("points").unwrap().split(' ').map(pair).collect()
}

/// The lines of the plot, without the samples beside the names: those lie outside the clipped group.
fn in_plot<'a>(document: &'a Document<'_>, class: &str) -> Vec<Node<'a, 'a>> {
    with_class(document, class)
        .into_iter()
        .filter(|node| node.parent().is_some_and(|parent| parent.attribute("clip-path").is_some()))
        .collect()
}

#[test]
fn a_chart_is_xml_with_a_title_a_description_and_nothing_that_runs_or_fetches() {
    let svg = season_heat(&chart(3, date(3, 10), Language::Es), &look(800, Language::Es, HeatUnit::Celsius));
    let document = Document::parse(&svg).unwrap();
    let root = document.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    assert_eq!(root.attribute("lang"), Some("es"));
    let named: Vec<&str> = root.attribute("aria-labelledby").unwrap().split(' ').collect();
    let texts: Vec<String> = named
        .iter()
        .map(|id| document.descendants().find(|node| node.attribute("id") == Some(id)).unwrap())
        .map(|node| node.text().unwrap().to_owned())
        .collect();
    assert_eq!(texts[0], "Dos Vientos: calor de la temporada 2025");
    assert!(texts[1].contains("Empieza la puesta de huevos: probable entre el 12"));
    for word in ["<script", "href", "http://", "https://", "@import", "onload"] {
        let without_namespace = svg.replace("http://www.w3.org/2000/svg", "");
        assert!(!without_namespace.contains(word), "{word}");
    }
}

#[test]
fn every_day_is_drawn_once_and_forecast_and_filled_days_look_their_part() {
    let today = date(3, 10);
    let svg = season_heat(&chart(3, today, Language::En), &look(1000, Language::En, HeatUnit::Celsius));
    let document = Document::parse(&svg).unwrap();
    let (solid, dashed) = (in_plot(&document, "season"), in_plot(&document, "forecast"));
    let hollow = in_plot(&document, "season-core");

    // A stretch begins on the last point of the one before it: that point is not counted again.
    let count: usize = solid.iter().chain(&dashed).map(|node| points(node).len()).sum();
    let days = (today - date(1, 1)).num_days() as usize + FORECAST_DAYS;
    assert_eq!(count - (solid.len() + dashed.len() - 1), days);
    assert!(solid.iter().all(|node| node.attribute("stroke-dasharray").is_none()));
    assert_eq!(dashed.len(), 1);
    assert!(dashed[0].attribute("stroke-dasharray").is_some());
    assert_eq!(points(&dashed[0]).len(), FORECAST_DAYS + 1);
    assert_eq!(hollow.iter().map(|node| points(node).len() - 1).sum::<usize>(), FILLED.len());

    let today_x: f64 = with_class(&document, "today")[0].attribute("x1").unwrap().parse().unwrap();
    assert!((points(&dashed[0])[1].0 - today_x).abs() < 0.2, "the forecast begins today");
    let xs: Vec<f64> = points(&solid[0]).iter().map(|point| point.0).collect();
    assert!(xs.windows(2).all(|pair| pair[0] < pair[1]));
}

#[test]
fn thresholds_and_dates_lie_where_the_scale_puts_them() {
    let today = date(3, 20);
    let made = chart(0, today, Language::En);
    let svg = season_heat(&made, &look(900, Language::En, HeatUnit::Celsius));
    let document = Document::parse(&svg).unwrap();
    let number = |node: &Node<'_, '_>, name: &str| node.attribute(name).unwrap().parse::<f64>().unwrap();

    // Ticks at 0 and 100 °C·day give the scale.
    let tick = |label: &str| {
        let text = document.descendants().find(|node| node.has_tag_name("text") && node.text() == Some(label)).unwrap();
        number(&text, "y") - 4.0
    };
    let y = |sum: f64| tick("0") + (tick("100") - tick("0")) * sum / 100.0;
    for (class, threshold) in [("threshold-a", 214.0), ("threshold-b", 306.0), ("threshold-c", 464.0)] {
        assert!((number(&in_plot(&document, class)[0], "y1") - y(threshold)).abs() < 0.5, "{class}");
    }
    let season = in_plot(&document, "season");
    let line: Vec<(f64, f64)> = season.iter().flat_map(points).collect();
    let last = made.heat.iter().rev().find(|day| day.origin == DayOrigin::Observed).unwrap();
    assert!((line.last().unwrap().1 - y(last.sum)).abs() < 0.5);

    // The dot of a reached stage lies on its threshold, at the day on which the line first is at or over it.
    let StageDate::Reached(on) = made.stages[0].date else { panic!("laying had begun") };
    let dot = document
        .descendants()
        .find(|node| node.has_tag_name("circle") && (number(node, "cy") - y(214.0)).abs() < 0.5)
        .unwrap();
    let first_over = line.iter().find(|point| point.1 <= y(214.0) + 0.1).unwrap();
    assert!((number(&dot, "cx") - first_over.0).abs() < 0.3, "{on}");
}

/// The boxes of all texts as they are laid out with the fonts of the PNG.
fn text_boxes(svg: &str) -> Vec<(String, usvg::Rect)> {
    fn walk(group: &usvg::Group, to: &mut Vec<(String, usvg::Rect)>) {
        for node in group.children() {
            match node {
                usvg::Node::Group(inner) => walk(inner, to),
                usvg::Node::Text(text) => {
                    let words = text.chunks().iter().map(|chunk| chunk.text()).collect();
                    to.push((words, text.bounding_box()));
                }
                _ => {}
            }
        }
    }
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    let options =
        usvg::Options { fontdb: fonts.into(), font_family: "DejaVu Sans".to_owned(), ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).unwrap();
    let mut boxes = Vec::new();
    walk(tree.root(), &mut boxes);
    boxes
}

fn assert_labels_keep_clear(svg: &str, what: &str) {
    let document = Document::parse(svg).unwrap();
    let side = |name: &str| document.root_element().attribute(name).unwrap().parse::<f32>().unwrap();
    let boxes = text_boxes(svg);
    assert_eq!(boxes.len(), document.descendants().filter(|node| node.has_tag_name("text")).count());
    for (at, (words, room)) in boxes.iter().enumerate() {
        let inside =
            room.left() >= 0.0 && room.top() >= 0.0 && room.right() <= side("width") && room.bottom() <= side("height");
        assert!(inside, "{what}: `{words}` leaves the picture: {room:?}");
        for (others, other) in &boxes[at + 1..] {
            let apart = room.right() <= other.left()
                || other.right() <= room.left()
                || room.bottom() <= other.top()
                || other.bottom() <= room.top();
            assert!(apart, "{what}: `{words}` and `{others}` overlap: {room:?} {other:?}");
        }
    }
}

#[test]
fn labels_overlap_neither_each_other_nor_the_edge_at_any_width_language_unit_or_time_of_season() {
    for (station, today) in
        [(0, date(1, 2)), (0, date(3, 20)), (3, date(3, 10)), (8, date(2, 10)), (8, date(5, 20)), (4, date(9, 1))]
    {
        for language in Language::ALL {
            let made = chart(station, today, language);
            for width in [320, 360, 480, 700, 1200] {
                let unit = if width % 3 == 0 { HeatUnit::Fahrenheit } else { HeatUnit::Celsius };
                let svg = season_heat(&made, &look(width, language, unit));
                assert_labels_keep_clear(&svg, &format!("station {station}, {today}, {language:?}, {width} px"));
            }
        }
    }
}

#[test]
fn labels_keep_clear_with_thresholds_close_together_and_long_names() {
    let mut made = chart(3, date(3, 10), Language::En);
    made.place = "A region with a name that goes on and on, as names of regions sometimes do in the field".to_owned();
    made.stages.clear();
    for (at, threshold) in [200.0, 204.0, 208.0, 220.0, 236.0, 260.0, 400.0, 401.0].into_iter().enumerate() {
        let name = format!("stage number {at} with rather a long name");
        made.stages.push(ChartStage {
            name,
            threshold: Some(threshold),
            date: StageDate::Unknown,
            said: "unknown".to_owned(),
        });
    }
    for width in [320, 640, 1600] {
        assert_labels_keep_clear(
            &season_heat(&made, &look(width, Language::En, HeatUnit::Celsius)),
            &format!("{width}"),
        );
    }
}

#[test]
fn letters_keep_their_size_whatever_the_width() {
    for width in [360, 1200] {
        let svg = season_heat(&chart(3, date(3, 10), Language::En), &look(width, Language::En, HeatUnit::Celsius));
        let document = Document::parse(&svg).unwrap();
        assert_eq!(document.root_element().attribute("width"), Some(width.to_string().as_str()));
        let sizes = document.descendants().filter_map(|node| node.attribute("font-size"));
        assert!(sizes.map(|size| size.parse::<f64>().unwrap()).all(|size| size >= 11.0));
    }
}

#[test]
fn both_units_and_both_languages_are_spoken_throughout() {
    let words = |language, unit| {
        let svg = season_heat(&chart(3, date(3, 10), language), &look(800, language, unit));
        let document = Document::parse(&svg).unwrap();
        let texts = document.descendants().filter(|node| node.has_tag_name("text")).filter_map(|node| node.text());
        texts.collect::<Vec<_>>().join("\n").replace('\u{a0}', " ")
    };
    let english = words(Language::En, HeatUnit::Celsius);
    for said in [
        "today, Mar 10",
        "°C·day above 4 °C",
        "egg laying begins, about 214",
        "forecast",
        "gap filled in",
        "best days to wash",
    ] {
        assert!(english.contains(said), "{said}: {english}");
    }
    // 214 °C·day are 385.2 °F·day, and 4 °C are 39.2 °F.
    let spanish = words(Language::Es, HeatUnit::Fahrenheit);
    for said in [
        "hoy, 10 mar",
        "°F·día sobre 39.2 °F",
        "puesta de huevos, unos 385",
        "pronóstico",
        "hueco rellenado",
        "mejores días para lavar",
    ] {
        assert!(spanish.contains(said), "{said}: {spanish}");
    }
    assert!(!spanish.contains("°C") && !english.contains("°F"));
}

#[test]
fn many_past_years_stand_as_pairs_of_needles_with_their_middle_across() {
    for width in [320, 800, 1600] {
        let svg = season_heat(&chart(3, date(3, 10), Language::En), &look(width, Language::En, HeatUnit::Celsius));
        let document = Document::parse(&svg).unwrap();
        let (pairs, nodes) = (in_plot(&document, "needles"), in_plot(&document, "node"));
        assert!(pairs.len() > 10 && pairs.len() == nodes.len(), "{width} px: {} and {}", pairs.len(), nodes.len());
        let mut before = f64::NEG_INFINITY;
        for (pair, node) in pairs.iter().zip(&nodes) {
            let [tip, foot, _] = points(pair)[..] else { panic!("a pair has three points") };
            let middle: f64 = node.attribute("y1").unwrap().parse().unwrap();
            // Half of the years lie between one in ten and nine in ten; y grows downwards.
            assert!(tip.1 <= middle && middle <= foot.1, "{width} px: {tip:?}, {middle}, {foot:?}");
            assert!(foot.0 - before >= 7.9, "{width} px: paper shows between the pairs");
            before = foot.0;
        }
        assert!(in_plot(&document, "few").is_empty());
    }
}

#[test]
fn the_strip_is_full_on_the_best_days_and_thins_out_and_the_flag_stands_on_the_last_day() {
    let made = chart(3, date(3, 10), Language::En);
    let svg = season_heat(&made, &look(900, Language::En, HeatUnit::Celsius));
    let document = Document::parse(&svg).unwrap();
    let number = |node: &Node<'_, '_>, name: &str| node.attribute(name).unwrap().parse::<f64>().unwrap();
    // Today's line and the flag's pole give the scale of days.
    let today = number(&with_class(&document, "today")[0], "x1");
    let days = made.days.as_ref().unwrap();
    let pole = number(&with_class(&document, "pole")[0], "x1");
    let a_day = (pole - today) / (days.deadline - made.today).num_days() as f64;
    let edge = |day: NaiveDate| today + ((day - made.today).num_days() as f64 - 0.5) * a_day;
    let best = days.best.unwrap();
    let full: Vec<_> = with_class(&document, "window").into_iter().filter(|node| node.has_tag_name("rect")).collect();
    assert_eq!(full.len(), 2, "in the plot and in its row");
    for strip in full {
        assert!((number(&strip, "x") - edge(best.first)).abs() < 0.5);
        assert!((number(&strip, "x") + number(&strip, "width") - edge(best.last.succ_opt().unwrap())).abs() < 0.5);
    }
    let thin: Vec<_> =
        with_class(&document, "window").into_iter().filter(|node| node.has_tag_name("polygon")).collect();
    let ends: Vec<f64> = thin.iter().take(2).flat_map(points).map(|point| point.0).collect();
    let (first, last) = ends.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
    assert!((first - edge(days.look_from)).abs() < 0.5, "thin from the day to look");
    assert!((last - edge(days.ends.unwrap().succ_opt().unwrap())).abs() < 0.5, "thin to the late date of the hatch");
    assert!(svg.contains(&days.said), "in words too");
}

#[test]
fn a_dot_says_whether_somebody_saw_it() {
    let mut made = chart(0, date(4, 20), Language::En);
    let svg = |made: &SeasonChart| season_heat(made, &look(900, Language::En, HeatUnit::Celsius));
    made.stages.retain(|stage| matches!(stage.date, StageDate::Reached(_)));
    assert!(!made.stages.is_empty());
    assert!(svg(&made).contains("Dot: our heat number was reached.") && !svg(&made).contains("seen by somebody"));
    for stage in &mut made.stages {
        if let StageDate::Reached(on) = stage.date {
            stage.date = StageDate::Seen(on);
        }
    }
    assert!(svg(&made).contains("Dot: seen by somebody.") && !svg(&made).contains("was reached"));
}

#[test]
fn few_past_years_are_drawn_one_by_one_and_none_at_all_is_no_harm() {
    let mut made = chart(3, date(3, 10), Language::En);
    made.past.truncate(3);
    let svg = season_heat(&made, &look(800, Language::En, HeatUnit::Celsius));
    let document = Document::parse(&svg).unwrap();
    assert_eq!(in_plot(&document, "few").len(), 3);
    assert!(in_plot(&document, "needles").is_empty() && svg.contains("3 past years"));
    made.past.clear();
    let svg = season_heat(&made, &look(800, Language::En, HeatUnit::Celsius));
    assert!(!svg.contains("past years"), "{svg}");
}

#[test]
fn dark_colours_come_only_when_asked_for_and_reach_only_this_picture() {
    let made = chart(3, date(3, 10), Language::En);
    let dark = season_heat(&made, &Look { id: "one".into(), ..Look::default() });
    let document = Document::parse(&dark).unwrap();
    let style = document.descendants().find(|node| node.has_tag_name("style")).unwrap().text().unwrap();
    assert!(style.starts_with("@media (prefers-color-scheme: dark)"));
    assert!(style.split('{').skip(1).filter(|rule| rule.contains('.')).all(|rule| rule.contains("#one .")));
    let light = season_heat(&made, &Look { dark_too: false, ..Look::default() });
    assert!(!light.contains("<style"));
    let strange = season_heat(&made, &Look { id: "1\"><script>".into(), ..Look::default() });
    assert!(Document::parse(&strange).unwrap().root_element().attribute("id").unwrap().starts_with("chart1script"));
}

#[test]
fn a_png_is_the_same_picture_and_refuses_what_is_none() {
    let svg = season_heat(&chart(3, date(3, 10), Language::En), &look(600, Language::En, HeatUnit::Celsius));
    let bytes = png::draw(&svg, 2.0).unwrap();
    // PNG specification (W3C, third edition), sections 5.2 and 11.2.1: signature, then width and height in IHDR.
    assert_eq!(bytes[..8], [137, 80, 78, 71, 13, 10, 26, 10]);
    let side = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    let document = Document::parse(&svg).unwrap();
    let height: u32 = document.root_element().attribute("height").unwrap().parse().unwrap();
    assert_eq!((side(16), side(20)), (1200, 2 * height));
    let without_text = svg.replace("<text", "<desc").replace("</text", "</desc");
    assert!(bytes.len() > png::draw(&without_text, 2.0).unwrap().len() + 5000, "the letters are drawn");

    assert!(png::draw("no picture", 1.0).unwrap_err().to_string().starts_with("the chart is not a picture"));
    assert!(png::draw(&svg, 100.0).unwrap_err().to_string().contains("cannot be drawn"));
    assert!(png::draw(&svg, f32::NAN).is_err() && png::draw(&svg, 0.0).is_err() && png::draw(&svg, -1.0).is_err());
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -10.0..2000.0f64,
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE, -0.0]),
    ]
}

fn any_day() -> impl Strategy<Value = NaiveDate> {
    prop_oneof![
        8 => (0..500i64).prop_map(|day| date(1, 1) + chrono::Duration::days(day - 60)),
        1 => prop::sample::select(vec![NaiveDate::MIN, NaiveDate::MAX, date(12, 31)]),
    ]
}

fn any_stage() -> impl Strategy<Value = ChartStage> {
    let spread = (prop::option::of(any_day()), prop::option::of(any_day()), prop::option::of(any_day()))
        .prop_map(|(early, median, late)| StageDate::Projected(DateSpread { early, median, late }));
    let came = prop_oneof![any_day().prop_map(StageDate::Reached), any_day().prop_map(StageDate::Seen)];
    let date = prop_oneof![came, spread, Just(StageDate::Unknown)];
    (".{0,30}", prop::option::of(any_number()), date, ".{0,40}").prop_map(|(name, threshold, date, said)| ChartStage {
        name,
        threshold,
        date,
        said,
    })
}

fn any_days() -> impl Strategy<Value = ChartDays> {
    let best = prop::option::of((any_day(), any_day()).prop_map(|(first, last)| DaySpan { first, last }));
    (any_day(), best, any_day(), prop::option::of(any_day()), ".{0,80}")
        .prop_map(|(look_from, best, deadline, ends, said)| ChartDays { look_from, best, deadline, ends, said })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_put_in_a_well_formed_picture_comes_out(
        place in ".{0,60}",
        note in prop::option::of(".{0,60}"),
        numbers in prop::collection::vec((any_day(), any_number(), 0..3u8), 0..60),
        past in prop::collection::vec(prop::collection::vec(any_number(), 0..40), 0..9),
        stages in prop::collection::vec(any_stage(), 0..6),
        biofix in any_day(),
        today in any_day(),
        until in prop::option::of(any_day()),
        lower_threshold_c in any_number(),
        days in prop::option::of(any_days()),
        width in any::<u32>(),
        fahrenheit in any::<bool>(),
    ) {
        let origin = |which| match which { 0 => DayOrigin::Observed, 1 => DayOrigin::Interpolated, _ => DayOrigin::Forecast };
        let made = SeasonChart {
            place: place.clone(),
            insect: place,
            year: 2025,
            biofix,
            until,
            lower_threshold_c,
            heat: numbers.into_iter().map(|(day, sum, which)| HeatDay { day, degree_days: 0.0, sum, origin: origin(which) }).collect(),
            past: past.into_iter().enumerate().map(|(at, sums)| PastSeason { year: 2000 + at as i32, sums }).collect(),
            stages,
            days,
            today,
            source: String::new(),
            note,
        };
        let unit = if fahrenheit { HeatUnit::Fahrenheit } else { HeatUnit::Celsius };
        let svg = season_heat(&made, &look(width, Language::Es, unit));
        let document = Document::parse(&svg).map_err(|why| TestCaseError::fail(format!("{why}: {svg}")))?;
        for word in ["NaN", "inf"] {
            let bad = document.descendants().flat_map(|node| node.attributes()).any(|attribute| attribute.value().contains(word));
            prop_assert!(!bad, "{}", svg);
        }
        prop_assert!(svg.len() < 400_000);
    }
}
