//! A list of people as CSV: tried first, with every row that would be refused, and imported by a second word.

use std::collections::BTreeSet;

use axum::extract::Form;
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;
use tokio::runtime::Handle;

use super::Upload;
use super::caller::Desk;
use super::notice::{app_of, by};
use super::people::{people_fault, reach_of};
use super::sign_in::with_status;
use super::upload::{LARGEST_LIST, Sent};
use crate::people::NewSubscriber;
use crate::people::csv::{self, List};
use crate::region::Zip;
use crate::season::phrases::capitalised;
use crate::service::app::App;
use crate::service::people_list::{Manner, Taken, lines_in_words, take_in};
use crate::web::Fault;
use crate::web::forms::{Typed, field};
use crate::web::tried_lists::KEPT;

/// Rows that the desk takes in at once: nobody else writes meanwhile.
const MOST_ROWS: usize = 5000;

/// Rows with a fault that are shown one by one.
const FAULTS_SHOWN: usize = 200;

/// ZIP codes of no region that are shown.
const ZIPS_SHOWN: usize = 60;

pub(super) async fn page(desk: Desk) -> Result<Response, Fault> {
    asked(&desk, None).await
}

async fn asked(desk: &Desk, wrong: Option<&str>) -> Result<Response, Fault> {
    let reach = reach_of(desk).await?;
    desk.page(
        "people_list",
        context! {
            wrong,
            rows => MOST_ROWS,
            megabytes => LARGEST_LIST >> 20,
            everywhere => reach.is_everywhere(),
            nobody => reach.is_empty(),
        },
    )
}

async fn refused(desk: &Desk, wrong: &str) -> Result<Response, Fault> {
    with_status(asked(desk, Some(wrong)).await, StatusCode::UNPROCESSABLE_ENTITY)
}

/// Nothing is kept but the list itself, in the memory, for the word that takes it in.
pub(super) async fn tried(desk: Desk, upload: Upload) -> Result<Response, Fault> {
    let bytes = match upload.list {
        Some(Sent::Whole(bytes)) if bytes.is_empty() => return refused(&desk, "The file is empty.").await,
        Some(Sent::Whole(bytes)) => bytes,
        Some(Sent::TooLarge) => {
            let most = LARGEST_LIST >> 20;
            return refused(&desk, &format!("It holds more than {most} MB: split it into several files.")).await;
        }
        None => return refused(&desk, "Choose a file.").await,
    };
    let list = match read(&desk, &bytes) {
        Ok(list) => list,
        Err(why) => return refused(&desk, &why).await,
    };
    let app = desk.site().app();
    let zips: Vec<(u64, Vec<Zip>)> =
        list.lines.iter().map(|line| (line.number, line.subscriber.zips.clone())).collect();
    let taken = work(&desk, app, list, Manner::Try).await?;
    let (homeless_rows, homeless) = homeless_of(app, &zips, &taken).await?;
    let id = app.store.randomness().hex::<16>();
    if !desk.site().tried_lists().put(by(&desk), &id, bytes, app.clock.now()) {
        return refused(&desk, "Others are checking lists already: try again in half an hour.").await;
    }
    let good = taken.added + taken.extended + taken.unchanged;
    let shown = context! {
        list => id,
        minutes => KEPT.num_minutes(),
        good,
        is_any_new => taken.added + taken.extended > 0,
        button => what_it_does(&taken),
        homeless_rows,
        homeless_more => homeless.len().saturating_sub(ZIPS_SHOWN),
        homeless => homeless.iter().take(ZIPS_SHOWN).map(|zip| zip.to_string()).collect::<Vec<_>>(),
        ..counts(&taken)
    };
    desk.page("people_list_tried", shown)
}

pub(super) async fn taken(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let app = app_of(&desk, None)?;
    let Some(bytes) = desk.site().tried_lists().take(by(&desk), field(&typed, "list"), app.clock.now()) else {
        return refused(&desk, "The list that was checked is kept no longer: choose the file once more.").await;
    };
    let list = match read(&desk, &bytes) {
        Ok(list) => list,
        Err(why) => return refused(&desk, &why).await,
    };
    let manner = if field(&typed, "bad") == "leave-out" { Manner::GoodLines } else { Manner::AllOrNone };
    let taken = work(&desk, &app, list, manner).await?;
    if !taken.kept {
        let why = "Nothing was imported: some rows are bad now that were good when it was checked. Choose the file once more.";
        return refused(&desk, why).await;
    }
    app.queued.notify_one();
    let Taken { added, extended, unchanged, .. } = taken;
    let bad = bad_rows(&taken);
    Ok(desk
        .to(&format!("/desk/people?done=imported&added={added}&extended={extended}&unchanged={unchanged}&bad={bad}")))
}

/// # Errors
/// Why it is no list, for whoever chose it.
fn read(desk: &Desk, bytes: &[u8]) -> Result<List, String> {
    let app = desk.site().app();
    let day = app.clock.now().with_timezone(&app.config.schedule.time_zone).date_naive();
    // The file's own name may say whose list it is, and what is kept with a consent outlives the address.
    let source = format!("list of {day}");
    let list = csv::read(bytes, &source, app.config.sms.reach).map_err(|why| capitalised(&why.to_string()) + ".")?;
    let rows = list.lines.len() + list.faults.len();
    if rows > MOST_ROWS {
        return Err(format!(
            "It has more than {MOST_ROWS} rows: split it into several files, or ask whoever runs the service to import it."
        ));
    }
    if rows == 0 {
        return Err("It has a first line with the names of the columns, and no row below it.".to_owned());
    }
    Ok(list)
}

/// A list takes its time, so on no thread of the server's.
async fn work(desk: &Desk, app: &App, list: List, manner: Manner) -> Result<Taken, Fault> {
    let reach = reach_of(desk).await?;
    let own = reach.zips(app).await.map_err(people_fault)?;
    let (app, source, runtime) = (app.clone(), format!("a list, by {}", by(desk)), Handle::current());
    let done = tokio::task::spawn_blocking(move || {
        let may = |new: &NewSubscriber| match new.zips.iter().find(|zip| !reach.is_everywhere() && !own.contains(zip)) {
            Some(zip) => {
                Err(format!("zip: {zip} is in none of your regions: leave the row to whoever keeps its region"))
            }
            None => Ok(()),
        };
        runtime.block_on(take_in(&app.store, &list, (&source, manner), app.clock.now(), &may, &|_| {}))
    });
    let done = done.await.map_err(|why| Fault::Inside(format!("the work on a list was cut off: {why}")))?;
    Ok(done?)
}

/// ZIP codes that no region has, of rows that would be taken, and in how many rows they stand. They are kept: their region may come.
async fn homeless_of<'a>(
    app: &App,
    rows: &'a [(u64, Vec<Zip>)],
    taken: &Taken,
) -> Result<(usize, BTreeSet<&'a Zip>), Fault> {
    let covered: BTreeSet<Zip> = app.store.regions().await?.into_iter().flat_map(|region| region.zips).collect();
    let bad: BTreeSet<u64> = taken.faults.iter().map(|fault| fault.number).collect();
    let (mut count, mut found) = (0, BTreeSet::new());
    for (number, zips) in rows {
        let without: Vec<&Zip> = zips.iter().filter(|zip| !covered.contains(zip)).collect();
        if !without.is_empty() && !bad.contains(number) {
            count += 1;
            found.extend(without);
        }
    }
    Ok((count, found))
}

/// What the import of a list that was tried will do, in the words of its button.
fn what_it_does(taken: &Taken) -> String {
    let bad = bad_rows(taken) as u64;
    let parts = [
        (taken.added, "add ", ""),
        (taken.extended, "extend ", ""),
        (taken.unchanged, "leave ", if taken.unchanged == 1 { " as it is" } else { " as they are" }),
        (bad, "leave out the ", " refused"),
    ];
    let said = |(count, before, behind): (u64, &str, &str)| (count > 0).then(|| format!("{before}{count}{behind}"));
    capitalised(&parts.into_iter().filter_map(said).collect::<Vec<_>>().join(", "))
}

fn bad_rows(taken: &Taken) -> usize {
    let mut numbers: Vec<u64> = taken.faults.iter().map(|fault| fault.number).collect();
    numbers.dedup();
    numbers.len()
}

fn counts(taken: &Taken) -> Value {
    context! {
        added => taken.added,
        extended => taken.extended,
        extended_lines => lines_in_words(&taken.extended_lines),
        unchanged => taken.unchanged,
        bad => bad_rows(taken),
        faults => taken.faults.iter().take(FAULTS_SHOWN).map(|fault| context! {
            number => fault.number, what => capitalised(&fault.what),
        }).collect::<Vec<_>>(),
        more => taken.faults.len().saturating_sub(FAULTS_SHOWN),
    }
}
