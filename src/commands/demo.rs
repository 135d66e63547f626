//! `treebell demo`: plays a season in an invented state, with no network and no account.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use chrono::{Datelike, NaiveDate, NaiveTime};
use futures::FutureExt;
use indicatif::ProgressBar;
use tokio::net::TcpListener;

use super::args::{date, season};
use super::error::{CommandError, with_causes};
use super::format::{paragraph, print_out, progress_bar};
use super::run::told_to_stop;
use crate::clock::SetClock;
use crate::demo::eggs;
use crate::demo::ground::DemoError;
use crate::demo::play;
use crate::demo::play::{Play, Played};
use crate::demo::state::State;
use crate::demo::view::Speed;
use crate::demo::view::screen::{Manner, Surroundings};
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::dispatch::{Channels, Dispatcher};
use crate::message::Message;
use crate::season::NoticeKind;
use crate::service::app::App;
use crate::service::subscribe::stop;
use crate::timetable::place;
use crate::web::{self, Site, server};

mod desk;

/// The seed that the README's pictures and figures were made with.
const SEED: u64 = 20_250_301;

#[derive(Debug, clap::Args)]
pub struct Demo {
    /// Season to play: a year of the invented state.
    #[arg(long, value_name = "YEAR", value_parser = season)]
    season: Option<i32>,
    /// How fast the season goes by.
    #[arg(long, value_enum, default_value_t = Speed::Normal)]
    speed: Speed,
    /// Folder for the messages, and for the invented state's own store and settings; `treebell-demo` in this folder if left
    /// out, with --desk `treebell-practice`.
    #[arg(long, value_name = "FOLDER")]
    messages: Option<PathBuf>,
    /// Other weather and other people: any number.
    #[arg(long)]
    seed: Option<u64>,
    /// One line an event instead of the live view.
    #[arg(long)]
    no_live: bool,
    /// Afterwards, serve the public pages of the invented state at this address until Ctrl-C. What they send, such as the
    /// confirmation of a sign-up, is written as a file, and each file is named.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<SocketAddr>,
    /// The day on which those pages stand; without it, the last day of the season played.
    #[arg(long, value_name = "DATE", requires = "listen", value_parser = date)]
    until: Option<NaiveDate>,
    /// Practise at the staff's desk, on this machine alone, until Ctrl-C: in an invented season whose clock you move yourself.
    /// The folder keeps it for the next time. It listens on 127.0.0.1:8480, or where --listen says.
    #[arg(long, conflicts_with_all = ["speed", "no_live", "until"])]
    desk: bool,
}

/// # Errors
/// A season that the state does not have, or a folder that is somebody else's.
pub async fn run(args: Demo) -> Result<(), CommandError> {
    if args.desk {
        return desk::run(args).await;
    }
    // Before the play: an address in use should not cost a season.
    let listener = match args.listen {
        Some(address) => Some(server::listen(address).await.map_err(|why| CommandError::Usage(why.to_string()))?),
        None => None,
    };
    if let (Some(until), Ok(state)) = (args.until, State::built_in())
        && !state.seasons().contains(&until.year())
    {
        let (first, last) = (*state.seasons().start(), *state.seasons().end());
        return Err(CommandError::Usage(format!(
            "--until {until}: the invented state has the years {first} to {last}"
        )));
    }
    // A state that cannot be read is told of by `play`.
    let regions = State::built_in().map_or(0, |state| state.regions.len());
    let manner = if args.no_live { Manner::Plain } else { Manner::choose(&Surroundings::of_stdout(), regions) };
    let folder = args.messages.unwrap_or_else(|| "treebell-demo".into());
    let wanted =
        Play { folder, season: args.season, seed: args.seed.unwrap_or(SEED), speed: args.speed, manner: Some(manner) };
    let (bar, shown) = making();
    let played = play::play(&wanted, std::io::stdout(), shown).await;
    bar.finish_and_clear();
    let played = played.map_err(failed)?;
    print_out(&farewell(&played))?;
    match listener {
        Some(listener) => show(listener, &played, args.until).await,
        None => Ok(()),
    }
}

/// A bar on the screen, and what moves it.
fn making() -> (ProgressBar, impl Fn(&str, usize, usize)) {
    let bar = progress_bar(0, "making {msg} {wide_bar} {pos}/{len}");
    bar.enable_steady_tick(Duration::from_millis(200));
    let shown = bar.clone();
    let moved = move |what: &str, done: usize, all: usize| {
        shown.set_length(all as u64);
        shown.set_position(done as u64);
        shown.set_message(what.to_owned());
        if done == all {
            shown.finish_and_clear();
        }
    };
    (bar, moved)
}

fn failed(why: DemoError) -> CommandError {
    match why {
        DemoError::Season { .. } | DemoError::NotOurs(_) | DemoError::NotForPractice(_) => {
            CommandError::Usage(why.to_string())
        }
        DemoError::Store(why) => why.into(),
        DemoError::App(why) => why.into(),
        _ => CommandError::Failed(with_causes(&why)),
    }
}

/// The public pages of the state as they stood at noon of a day, and what their visitors are written: time runs on from
/// there, since forms look at how long they were open and codes at their age.
async fn show(listener: TcpListener, played: &Played, until: Option<NaiveDate>) -> Result<(), CommandError> {
    let address = listener.local_addr().map_err(|why| CommandError::Failed(why.to_string()))?;
    let day = until.unwrap_or(played.board.last);
    let noon = NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default();
    let clock = Arc::new(SetClock::at(place(day.and_time(noon), played.state.time_zone)));
    let mut config = played.config.clone();
    config.messages.public_url = format!("http://{address}").into();
    let failed = |why: String| CommandError::Failed(why);
    let mail = MailWriter::new(&config.email).map_err(|why| failed(why.to_string()))?;
    let folder = FolderTransport::open(&played.messages, mail).map_err(|why| failed(why.to_string()))?;
    let app = App::open(&config, clock.clone(), &played.randomness).await?;
    let site = Site::of_exercise(app.clone(), played.notices.clone()).map_err(|why| failed(with_causes(&why)))?;
    let stop_link = stop::personaliser(&config.messages.public_url, app.store.address_hash().clone());
    let channels = Channels::both(Arc::new(NamedFolder { folder, path: played.messages.clone() }));
    let dispatcher = Dispatcher::new(app.store.clone(), clock, channels, &config.delivery, Arc::new(stop_link))
        .woken_by(app.queued.clone());
    let stop = told_to_stop()?.shared();
    site.ready().await.map_err(|why| failed(why.to_string()))?;
    print_out(&format!(
        "\nThe pages of {}, as of {day}: http://{address}  (Ctrl-C ends it)\n\
         What they write to you is a file; each is named here.\n",
        played.state.name
    ))?;
    tokio::join!(server::serve(listener, web::router(&site), stop.clone()), dispatcher.run(stop));
    app.store.close().await;
    Ok(())
}

/// The folder of messages, with a word on the screen for each.
struct NamedFolder {
    folder: FolderTransport,
    path: PathBuf,
}

#[async_trait]
impl Transport for NamedFolder {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let receipt = self.folder.send(outgoing).await?;
        let what = match &outgoing.message {
            Message::Email { subject, .. } => format!("e-mail \"{subject}\""),
            Message::Sms { .. } => "text message".into(),
        };
        let file = self.path.join(receipt.provider_ref.as_deref().unwrap_or_default());
        // A screen that is gone is no reason to write the message again.
        let _ = print_out(&format!("{what}: {}\n", file.display()));
        Ok(receipt)
    }
}

/// What to look at now that the season is over.
fn farewell(played: &Played) -> String {
    let index = played.messages.join("index.csv");
    let settings = played.settings.display();
    let program = std::env::args().next().unwrap_or_else(|| "treebell".into());
    let mut text = String::new();
    let season = played.season;
    if !played.harvest.is_empty() {
        text.push_str(&format!("\n{}\n", eggs::lines(&played.harvest).join("\n")));
    }
    text.push_str("\nNothing was sent: every message is a file, as it would have been read.\n");
    text.push_str(&format!("  all of them:        {}\n", played.messages.display()));
    text.push_str(&format!("  as a table:         {}\n", index.display()));
    let day = played.board.rows.iter().find_map(|row| row.sent(NoticeKind::InspectNow));
    let lines = read_index(&index);
    if let Some(mail) = pick(&lines, "email", day) {
        text.push_str(&format!("  one e-mail:         {}\n", played.messages.join(&mail.file).display()));
    }
    if let Some(sms) = pick(&lines, "sms", day) {
        text.push_str(&format!("  one text, to {}:\n{}", sms.to, paragraph(4, &sms.says)));
    }
    text.push_str(&format!("  the season's store: {}\n", played.store.display()));
    text.push_str("Try next, in the same invented state:\n");
    let region = played.board.rows.get(played.board.rows.len() / 2).map_or("", |row| row.id.as_str());
    for command in [
        format!("outlook --on {season}-03-10"),
        "notices".to_owned(),
        format!("chart {region} --on {season}-03-10 -o {region}.png"),
        format!("replay --season {}", season - 1),
    ] {
        text.push_str(&format!("  {program} --config {settings} {command}\n"));
    }
    text
}

/// A line of the folder's index.
#[derive(serde::Deserialize)]
struct Sent {
    sent_at: String,
    channel: String,
    to: String,
    says: String,
    file: String,
}

/// The index is there for people; a demo that cannot read it again leaves the samples out.
fn read_index(file: &Path) -> Vec<Sent> {
    csv::Reader::from_path(file)
        .map(|reader| reader.into_deserialize().filter_map(Result::ok).collect())
        .unwrap_or_default()
}

/// The first message of a channel on a day, or on any.
fn pick<'a>(lines: &'a [Sent], channel: &str, day: Option<NaiveDate>) -> Option<&'a Sent> {
    let day = day.map(|day| day.to_string()).unwrap_or_default();
    let of_channel = || lines.iter().filter(|line| line.channel == channel);
    of_channel().find(|line| line.sent_at.starts_with(&day)).or_else(|| of_channel().next())
}
