//! Ten times the regions, people, years and queue: what each step costs, and a picture of it.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use treebell::clock::SystemClock;
use treebell::config::Config;
use treebell::message::Templates;
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::service::region_views::renew_kept;

use crate::country::{Country, open};
use crate::lists::{copied, list, release, settings, subscribed};
use crate::table::Table;
use crate::{Place, Sizes, cpu_of, fresh, runtime, timed, treebell};

/// Shares of the largest size.
const STEPS: [f64; 4] = [0.1, 0.25, 0.5, 1.0];

/// How much was made, and what that cost, s of CPU: wall time would tell of others' work, too.
type Cost = (usize, f64);

/// One kind of work at several sizes.
struct Measured {
    work: &'static str,
    /// What its size is counted in.
    of: &'static str,
    costs: Vec<Cost>,
}

pub fn growth(place: &Place, table: &mut Table) {
    let largest = &place.sizes;
    let at = |share: f64, of: usize| ((of as f64 * share).round() as usize).max(1);
    let measured = [
        Measured {
            work: "Views of regions worked out",
            of: "regions, each on a station of its own",
            costs: steps(|share| regions(place, at(share, largest.regions.min(100)), 10)),
        },
        Measured {
            work: "The view of one region worked out",
            of: "years of its station's record",
            costs: steps(|share| regions_of_years(place, at(share, 100))),
        },
        Measured {
            work: "A list of people taken in",
            of: "people",
            costs: steps(|share| people(place, at(share, largest.people))),
        },
        Measured {
            work: "A notice queued",
            of: "deliveries",
            costs: steps(|share| queue(place, at(share, largest.people))),
        },
    ];
    for Measured { work, of, costs } in &measured {
        let ((few, cheap), (many, dear)) = (costs[0], costs[costs.len() - 1]);
        let grew = (dear / cheap) / (many as f64 / few as f64);
        let what = format!("{work}, {few} to {many} {of}: growth of cost over growth of size");
        table.row(what, "", vec![grew], None, "at most 1");
    }
    let to = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/evidence/growth.svg");
    std::fs::write(to, drawn(&measured)).unwrap();
}

fn steps(measure: impl Fn(f64) -> Cost) -> Vec<Cost> {
    STEPS.into_iter().map(measure).collect()
}

/// Works out what is shown of so many regions, nothing kept yet.
fn regions(place: &Place, count: usize, years: i32) -> Cost {
    (count, worked_out(place, &Country::new(count, count, years)))
}

fn regions_of_years(place: &Place, years: usize) -> Cost {
    (years, worked_out(place, &Country::new(1, 1, i32::try_from(years).unwrap())))
}

fn worked_out(place: &Place, country: &Country) -> f64 {
    let file = place.folder.join("growth.sqlite");
    fresh(&file);
    let many = country.regions.len();
    runtime().block_on(async {
        let store = country.store(&file).await;
        let templates = Templates::load(None).unwrap();
        let app =
            App::with_store(&Config::default(), Arc::new(SystemClock), store.clone(), Profiles::default(), templates);
        let (from, cpu) = (Instant::now(), cpu_of("self", 11));
        assert_eq!(renew_kept(&app).await.unwrap(), many);
        let cpu = cpu_of("self", 11) - cpu;
        println!("  {many} regions: {:.2} s, {cpu:.2} s of CPU", from.elapsed().as_secs_f64());
        store.close().await;
        // The kernel counts in hundredths, and nothing has no logarithm.
        cpu.max(0.01)
    })
}

fn sized(place: &Place, people: usize) -> Place {
    Place { folder: place.folder.clone(), sizes: Sizes { people, ..place.sizes } }
}

fn people(place: &Place, count: usize) -> Cost {
    let (place, file) = (sized(place, count), place.folder.join("lists.sqlite"));
    fresh(&file);
    runtime().block_on(async { open(&file).await.close().await });
    let (list, settings) = (list(&place), settings(&place.folder));
    let (_, cpu) =
        timed(treebell(&place.folder).arg("--config").arg(&settings).args(["subscriber", "import"]).arg(&list));
    (count, cpu)
}

fn queue(place: &Place, count: usize) -> Cost {
    let place = sized(place, count);
    let file = place.folder.join("queue.sqlite");
    copied(&subscribed(&place), &file);
    let cpu = runtime().block_on(async {
        let store = open(&file).await;
        let cpu = cpu_of("self", 11);
        assert_eq!(release(&store, "region-00000").await, count as u64);
        let cpu = cpu_of("self", 11) - cpu;
        store.close().await;
        cpu.max(0.01)
    });
    (count, cpu)
}

/// Width and height of a panel's field, and what lies around it: above and left.
const FIELD: (f64, f64) = (310.0, 210.0);
const AROUND: (f64, f64) = (58.0, 34.0);
const PANEL: (f64, f64) = (FIELD.0 + 90.0, FIELD.1 + 92.0);

const STYLE: &str = ".back{fill:#fff}text{fill:#222;font:12px sans-serif}.work{font-weight:bold}.soft{fill:#555}
.frame{fill:none;stroke:#767676}.grid{stroke:#ddd}.even{stroke:#767676;stroke-dasharray:5 4}
.cost{fill:none;stroke:#0a6b3d;stroke-width:2}.dot{fill:#0a6b3d}
@media(prefers-color-scheme:dark){.back{fill:#16181a}text{fill:#eee}.soft{fill:#b5b5b5}.frame,.even{stroke:#999}
.grid{stroke:#3a3d40}.cost{stroke:#6fd39b}.dot{fill:#6fd39b}}";

/// A panel for each kind of work, both axes logarithmic: cost over size, with the line on which cost grows as size does.
fn drawn(measured: &[Measured]) -> String {
    let rows = measured.len().div_ceil(2) as f64;
    let (width, height) = (PANEL.0 * 2.0, PANEL.1 * rows + 34.0);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" \
         role=\"img\">\n<title>What work costs at ten times its size</title>\n<style>{STYLE}</style>\n\
         <rect class=\"back\" width=\"{width}\" height=\"{height}\"/>\n"
    );
    for (at, one) in measured.iter().enumerate() {
        let (left, top) = ((at % 2) as f64 * PANEL.0, (at / 2) as f64 * PANEL.1);
        writeln!(svg, "<g transform=\"translate({} {})\">", left + AROUND.0, top + AROUND.1).unwrap();
        panel(&mut svg, one);
        svg.push_str("</g>\n");
    }
    writeln!(
        svg,
        "<path class=\"even\" d=\"M{0} {1}h40\"/>\n<text class=\"soft\" x=\"{2}\" y=\"{3}\">cost would grow as size does</text>\n</svg>",
        AROUND.0,
        height - 20.0,
        AROUND.0 + 48.0,
        height - 16.0
    )
    .unwrap();
    svg
}

fn panel(svg: &mut String, Measured { work, of, costs }: &Measured) {
    let ((few, first), (many, last)) = (costs[0], costs[costs.len() - 1]);
    let grown = first * many as f64 / few as f64;
    let costs_of = || costs.iter().map(|cost| cost.1).chain([grown]);
    let (least, most) = (costs_of().fold(f64::MAX, f64::min) / 1.5, costs_of().fold(0.0, f64::max) * 1.5);
    let share = |value: f64, from: f64, to: f64| (value / from).ln() / (to / from).ln();
    let x =
        |size: usize| 14.0 + share(size as f64, few as f64, (many as f64).max(few as f64 * 1.01)) * (FIELD.0 - 28.0);
    let y = |cost: f64| FIELD.1 * (1.0 - share(cost, least, most));
    writeln!(svg, "<text class=\"work\" y=\"-12\">{work}</text>").unwrap();
    for (tick, shown) in ticks(least, most) {
        writeln!(
            svg,
            "<path class=\"grid\" d=\"M0 {0:.1}H{1}\"/>\n<text class=\"soft\" x=\"-8\" y=\"{2:.1}\" text-anchor=\"end\">{shown}</text>",
            y(tick),
            FIELD.0,
            y(tick) + 4.0
        )
        .unwrap();
    }
    writeln!(svg, "<rect class=\"frame\" width=\"{}\" height=\"{}\"/>", FIELD.0, FIELD.1).unwrap();
    writeln!(svg, "<path class=\"even\" d=\"M{:.1} {:.1}L{:.1} {:.1}\"/>", x(few), y(first), x(many), y(grown))
        .unwrap();
    let points: Vec<String> = costs.iter().map(|(size, cost)| format!("{:.1} {:.1}", x(*size), y(*cost))).collect();
    writeln!(svg, "<path class=\"cost\" d=\"M{}\"/>", points.join("L")).unwrap();
    for (size, cost) in costs {
        writeln!(svg, "<circle class=\"dot\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"3.5\"/>", x(*size), y(*cost)).unwrap();
        writeln!(
            svg,
            "<text class=\"soft\" x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            x(*size),
            FIELD.1 + 17.0,
            parted(*size)
        )
        .unwrap();
    }
    // Above the line where there is room for it.
    let is_under = last < grown;
    writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
        x(many) - 4.0,
        y(last) + if is_under { 20.0 } else { -10.0 },
        seconds(last)
    )
    .unwrap();
    writeln!(svg, "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{of}</text>", FIELD.0 / 2.0, FIELD.1 + 36.0).unwrap();
    writeln!(
        svg,
        "<text transform=\"rotate(-90)\" x=\"{}\" y=\"-46\" text-anchor=\"middle\">CPU time</text>",
        -FIELD.1 / 2.0
    )
    .unwrap();
}

/// Round costs between two, with their words.
fn ticks(least: f64, most: f64) -> Vec<(f64, String)> {
    let decades = (least.log10().floor() as i32)..=(most.log10().ceil() as i32);
    let round = decades.flat_map(|decade| [1.0, 2.0, 5.0].map(|first| first * 10_f64.powi(decade)));
    round.filter(|tick| (least..=most).contains(tick)).map(|tick| (tick, seconds(tick))).collect()
}

fn seconds(cost: f64) -> String {
    match cost {
        ..0.095 => format!("{:.0} ms", cost * 1000.0),
        ..9.5 => format!("{cost:.1} s"),
        _ => format!("{cost:.0} s"),
    }
}

/// `100,000`.
fn parted(size: usize) -> String {
    let digits = size.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}
