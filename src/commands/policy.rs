//! `treebell policy`: what the rules of the decision leave of the eggs, by drawn truths in past seasons.

use clap::builder::RangedU64ValueParser;
use comfy_table::{Cell, Table};
use rayon::prelude::*;
use serde::Serialize;

use super::error::CommandError;
use super::format::{align_right, bare_table, counted, print_json, print_out, progress_bar};
use super::open::open_store;
use super::verify::read_books;
use crate::assessment::past::StationHistory;
use crate::assessment::policy_loss::{
    Chances, Days, Game, PastSeasons, RuleLoss, SETTINGS, SettingLoss, Share, candidates,
};
use crate::config::Config;
use crate::id::StationId;
use crate::randomness::Randomness;
use crate::season::{Policy, Profile};
use crate::service::app::load_profiles;

/// Live through past seasons under the policy, its variants and the rules before, and count what owners would remove
///
/// The truth about the insect is drawn from the profile's belief, the same for all rules: this shows what rules leave if
/// the belief is true. It does not measure the insect. A hundred seasons of a station take a minute or so.
#[derive(Debug, clap::Args)]
pub struct PolicyArgs {
    /// Id of a station; give it several times for several, leave it out for all
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<StationId>,
    /// Profile whose window it is
    #[arg(long, value_name = "ID", default_value = "pinyon-needle-scale")]
    profile: String,
    /// Seasons of each station, the newest; all that it has serve as futures
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = RangedU64ValueParser::<usize>::new().range(1..=1000))]
    seasons: usize,
    /// Truths drawn a season
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = RangedU64ValueParser::<usize>::new().range(1..=1000))]
    draws: usize,
    /// Of the chances that pick truths and days; the same seed and stations give the same table
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Print JSON
    #[arg(long, conflicts_with = "markdown")]
    json: bool,
    /// Print Markdown with the command line, as the table of evidence keeps it
    #[arg(long)]
    markdown: bool,
}

/// # Errors
/// An unknown profile or station, a profile that leaves nothing to draw, a store that fails, or no station with seasons
/// enough.
pub async fn run(args: &PolicyArgs, config: &Config) -> Result<(), CommandError> {
    let profiles = load_profiles(config)?;
    let profile = profiles.get(&args.profile).ok_or_else(|| {
        let known: Vec<&str> = profiles.iter().map(|profile| profile.id.as_str()).collect();
        CommandError::Usage(format!("profile `{}` is unknown; there is {}", args.profile, known.join(", ")))
    })?;
    let policy = &config.policy;
    let game = Game::new(profile, policy, candidates(policy), &SETTINGS)
        .map_err(|why| CommandError::Usage(why.to_string()))?;
    let store = open_store(config).await?;
    let books = read_books(&store, &args.stations).await?;
    store.close().await;

    let bar = progress_bar(books.len() as u64, "reckoning past projections {wide_bar} {pos}/{len} {eta}");
    let prepare = |book: &StationHistory| {
        let prepared = PastSeasons::new(book, profile, policy, &config.weather, args.seasons);
        bar.inc(1);
        prepared
    };
    let prepared: Vec<_> = books.par_iter().map(prepare).collect();
    bar.finish_and_clear();
    let (mut stations, mut left_out) = (Vec::new(), Vec::new());
    for (prepared, book) in prepared.into_iter().zip(&books) {
        match prepared {
            Ok(ready) => stations.push(ready),
            Err(why) => left_out.push(LeftOut { station: book.station.id.clone(), why: why.to_string() }),
        }
    }
    if stations.is_empty() {
        let why: Vec<&str> = left_out.iter().map(|left| left.why.as_str()).collect();
        let why =
            if why.is_empty() { "no station is known; add one and import its record".into() } else { why.join("; ") };
        return Err(CommandError::Usage(format!("no past season can be lived through: {why}")));
    }

    let settings = play(&game, &stations, args);
    let stations: Vec<Played> = stations.iter().filter_map(Played::of).collect();
    let answer = Answer { args, profile, policy, stations, left_out, settings };
    match (args.json, args.markdown) {
        (true, _) => print_json(&answer.document()),
        (_, true) => print_out(&answer.markdown()),
        _ => print_out(&answer.text()),
    }
}

/// All seasons of all stations.
fn play(game: &Game, stations: &[PastSeasons], args: &PolicyArgs) -> Vec<SettingLoss> {
    let random = Randomness::seeded(args.seed);
    let mut next = || random.between(0.0, 1.0);
    // Drawn beforehand and in order, so that nothing hangs on which season is played first.
    let mut jobs: Vec<(&PastSeasons, usize, Vec<Chances>)> = Vec::new();
    for station in stations {
        jobs.extend((0..station.seasons()).map(|at| (station, at, Chances::of_season(args.draws, &mut next))));
    }
    let bar = progress_bar(jobs.len() as u64, "living through past seasons {wide_bar} {pos}/{len} {eta}");
    let play = |(station, at, chances): &(&PastSeasons, usize, Vec<Chances>)| {
        let played = game.season(station, *at, chances);
        bar.inc(1);
        played
    };
    let seasons: Vec<_> = jobs.par_iter().map(play).collect();
    bar.finish_and_clear();
    game.losses(&seasons)
}

#[derive(Serialize)]
struct LeftOut {
    station: StationId,
    why: String,
}

#[derive(Serialize)]
struct Played {
    station: StationId,
    seasons: usize,
    first_season: i32,
    last_season: i32,
}

impl Played {
    fn of(station: &PastSeasons) -> Option<Self> {
        let (first_season, last_season) = station.span()?;
        Some(Self { station: station.station.clone(), seasons: station.seasons(), first_season, last_season })
    }
}

struct Answer<'a> {
    args: &'a PolicyArgs,
    profile: &'a Profile,
    policy: &'a Policy,
    stations: Vec<Played>,
    left_out: Vec<LeftOut>,
    settings: Vec<SettingLoss>,
}

/// What it is and is not, and how the owners and the rules before are played. Lines of at most 100 characters.
const PREFACE: &str = "\
What rules would leave of the eggs if the belief about the insect is true. It compares rules; it
does not measure the insect. Owners do what notices say, a wash takes every egg that is there,
nobody reports, and no weather forecast helps. All rules meet the same seasons, truths and owners.
";

const NOTES: &str = "\
before      emulated with today's code: our numbers as if certain; get ready 10 days ahead; \"inspect
            now\" at the crossing (or a chance of 0.8 by the weather) taken as the word to wash; the
            deadline at the early bound of the hatch by the weather alone, at its median where that
            lay within 3 days; last days 7 days before the median hatch; no notice when it moved.
as set      the policy of the settings. Each other row changes one number of it. Early hatch bound:
            no least number of wash days, so that the deadline never lies after that bound.
owners      act within a week of a notice, on any day alike, never after the deadline they know.
once        washes on \"wash now\".                 twice       on \"wash now\" and on \"last days\".
looks       twice a week from \"inspect now\", washes when half of the eggs are laid, on \"wash now\" at
            the latest, and again on \"last days\".   last days   washes on \"last days\" alone.
joins late  half-way from \"wash now\" to the deadline and gets the notice in force; by the rules
            before hears only the next notice.
share       mean share of a tree's eggs removed, in brackets the share that 10 % stay at or below.
ready       days from get ready to the first egg. early looks: before the first egg, a season.
lost        days a season on which a wash takes 0.9 or more, before the word to wash and after the
            deadline told last. late: that deadline after the first hatch, and days late on average.
half gone   on that deadline a wash takes less than half. moved: the told deadline moved by more
            than 3 days, by the rules before unsaid. sent: notices a season.
to deadline days from the word to wash and from last days. Triples are the 10, 50 and 90 % points.
";

impl Answer<'_> {
    fn document(&self) -> impl Serialize {
        #[derive(Serialize)]
        struct Document<'a> {
            profile: &'a str,
            profile_version: u32,
            policy: &'a Policy,
            seed: u64,
            truths_a_season: usize,
            stations: &'a [Played],
            left_out: &'a [LeftOut],
            settings: &'a [SettingLoss],
        }
        Document {
            profile: &self.profile.id,
            profile_version: self.profile.version,
            policy: self.policy,
            seed: self.args.seed,
            truths_a_season: self.args.draws,
            stations: &self.stations,
            left_out: &self.left_out,
            settings: &self.settings,
        }
    }

    fn markdown(&self) -> String {
        format!("```sh\n{}\n```\n\n```text\n{}```\n", self.command_line(), self.text())
    }

    /// The command that gives this table again.
    fn command_line(&self) -> String {
        let PolicyArgs { stations, profile, seasons, draws, seed, .. } = self.args;
        let mut line = format!("treebell policy --markdown --seasons {seasons} --draws {draws} --seed {seed}");
        if self.profile.id != "pinyon-needle-scale" {
            line += &format!(" --profile {profile}");
        }
        for station in stations {
            line += &format!(" --station {station}");
        }
        line
    }

    fn text(&self) -> String {
        let seasons: usize = self.stations.iter().map(|station| station.seasons).sum();
        let of_policy = if *self.policy == Policy::default() { "as shipped" } else { "of the settings" };
        let mut text = format!("{PREFACE}\n");
        text += &format!(
            "seed {}; {}, {}, {} truths each\nprofile {}, version {}; policy {of_policy}\n",
            self.args.seed,
            counted(self.stations.len(), "station", "stations"),
            counted(seasons, "season", "seasons"),
            self.args.draws,
            self.profile.id,
            self.profile.version,
        );
        for of_line in self.stations.chunks(3) {
            let told = of_line
                .iter()
                .map(|of| format!("{} {} ({}-{})", of.station, of.seasons, of.first_season, of.last_season));
            text += &format!("  {}\n", told.collect::<Vec<_>>().join("  "));
        }
        for LeftOut { why, .. } in &self.left_out {
            text += &format!("  left out: {why}\n");
        }
        for SettingLoss { setting, rules } in &self.settings {
            text += &format!("\n== {} ==\n\nshare of the eggs removed\n", setting.name);
            text += &format!("{}\n\ndays and deadlines\n{}\n", share_table(rules), day_table(rules));
        }
        text += &format!("\n{NOTES}");
        // Tables fill their lines with spaces.
        text.lines().map(|line| format!("{}\n", line.trim_end())).collect()
    }
}

fn share_table(rules: &[RuleLoss]) -> Table {
    let mut table = bare_table(["rules", "once", "twice", "looks", "last days", "joins late"]);
    for of in rules {
        let mut row = vec![of.rules.clone()];
        row.extend([of.once, of.twice, of.looks, of.last_days, of.joins_late].map(share));
        table.add_row(row);
    }
    align_right(&mut table, 1..);
    table
}

fn day_table(rules: &[RuleLoss]) -> Table {
    let head = [
        "rules",
        "ready",
        "early\nlooks",
        "lost\nbefore",
        "lost\nafter",
        "late",
        "days\nlate",
        "half\ngone",
        "moved",
        "sent",
        "wash to\ndeadline",
        "last to\ndeadline",
    ];
    let mut table = bare_table(head.map(Cell::new).to_vec());
    for of in rules {
        table.add_row([
            of.rules.clone(),
            days(of.ready_to_laying),
            format!("{:.1}", of.looks_too_early),
            format!("{:.1}", of.lost_before),
            format!("{:.1}", of.lost_after),
            percent(of.late),
            of.late_days.map_or_else(|| "-".into(), |days| format!("{days:.1}")),
            percent(of.half_gone),
            percent(of.moved),
            format!("{:.1}", of.messages),
            days(of.wash_to_deadline),
            days(of.last_to_deadline),
        ]);
    }
    align_right(&mut table, 1..);
    for column in table.column_iter_mut() {
        column.set_padding((1, 0));
    }
    table
}

fn share(Share { mean, tenth }: Share) -> String {
    format!("{mean:.2} ({tenth:.2})")
}

fn days(days: Option<Days>) -> String {
    days.map_or_else(|| "-".into(), |Days { tenth, median, ninetieth }| format!("{tenth}/{median}/{ninetieth}"))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}
