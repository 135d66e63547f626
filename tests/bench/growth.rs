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

pub fn growth(place: &Place, table: &mut Table) {
    let largest = &place.sizes;
    let at = |share: f64, of: usize| ((of as f64 * share).round() as usize).max(1);
    let measured: Vec<(&str, Vec<Cost>)> = vec![
        (
            "regions, each on a station of its own",
            steps(|share| regions(place, at(share, largest.regions.min(100)), 10)),
        ),
        ("years of record of one station", steps(|share| regions_of_years(place, at(share, 100)))),
        ("people taken in from a list", steps(|share| people(place, at(share, largest.people)))),
        ("deliveries queued", steps(|share| queue(place, at(share, largest.people)))),
    ];
    for (what, costs) in &measured {
        let ((few, cheap), (many, dear)) = (costs[0], costs[costs.len() - 1]);
        let grew = (dear / cheap) / (many as f64 / few as f64);
        table.row(
            format!("{few} to {many} {what}: growth of cost over growth of size"),
            "",
            vec![grew],
            None,
            "at most 1",
        );
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
        // Of ten hundredths at least, since the clock of the kernel counts those.
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

/// One panel a row of work: cost over size, both from nought, with the line on which cost grows as size does.
fn drawn(measured: &[(&str, Vec<Cost>)]) -> String {
    const WIDE: f64 = 320.0;
    const HIGH: f64 = 200.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n",
        WIDE * 2.0 + 120.0,
        (HIGH + 90.0) * measured.len().div_ceil(2) as f64
    );
    for (at, (what, costs)) in measured.iter().enumerate() {
        let (left, top) = (60.0 + (at % 2) as f64 * (WIDE + 40.0), 40.0 + (at / 2) as f64 * (HIGH + 90.0));
        let (most, dearest) =
            (costs[costs.len() - 1].0 as f64, costs.iter().fold(0.0_f64, |most, cost| most.max(cost.1)));
        let place = |(size, cost): &Cost| (left + *size as f64 / most * WIDE, top + HIGH - cost / dearest * HIGH);
        let end = place(&costs[costs.len() - 1]);
        writeln!(
            svg,
            "<text x=\"{left}\" y=\"{}\">{what}</text>\n\
             <path d=\"M{left} {top}V{}H{}\" fill=\"none\" stroke=\"#555\"/>\n\
             <path d=\"M{left} {}L{} {}\" stroke=\"#999\" stroke-dasharray=\"4 4\"/>",
            top - 14.0,
            top + HIGH,
            left + WIDE,
            top + HIGH,
            end.0,
            end.1
        )
        .unwrap();
        let points: Vec<String> =
            costs.iter().map(|cost| format!("{:.1},{:.1}", place(cost).0, place(cost).1)).collect();
        writeln!(svg, "<polyline points=\"{}\" fill=\"none\" stroke=\"#0b5\" stroke-width=\"2\"/>", points.join(" "))
            .unwrap();
        for cost in costs {
            let (x, y) = place(cost);
            writeln!(svg, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3\" fill=\"#0b5\"/>").unwrap();
            writeln!(svg, "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>", top + HIGH + 16.0, cost.0)
                .unwrap();
            writeln!(svg, "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"end\">{:.2} s</text>", y - 6.0, cost.1)
                .unwrap();
        }
    }
    svg.push_str("</svg>\n");
    svg
}
