//! `treebell belief adopt`.

use std::io::{BufRead, IsTerminal, Write};

use super::ask::{Chosen, Said, Which};
use super::dates::{RegionDates, table};
use super::learn::{frozen_lines, frozen_seasons};
use super::show::regions_of;
use crate::commands::error::CommandError;
use crate::commands::format::{counted, print_out};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::region::Region;
use crate::season::Profile;
use crate::season::adopt::{Adopted, AdoptedStage, adopted};
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::service::app::App;
use crate::service::assess::{At, with_beliefs};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::lessons;
use crate::store::learning::AdoptedProfile;
use crate::text::Chain;

#[derive(Debug, clap::Args)]
pub struct Adopt {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    said: Said,
    /// Show what would change and write nothing
    #[arg(long)]
    dry_run: bool,
    /// Do not ask
    #[arg(long)]
    yes: bool,
}

pub async fn run(args: &Adopt, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app, config).await?;
    let profile = &*chosen.profile;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(&app, &mut records, &mut seasons, profile, chosen.season, chosen.now)
        .await
        .map_err(|why| CommandError::Failed(Chain(&why).to_string()))?;
    let newest = app.store.adopted_profiles().await?.into_iter().filter(|of| of.profile == profile.id);
    let version = newest.map(|of| of.version).max().unwrap_or(0).max(profile.version) + 1;
    let Some(made) = adopted(profile, &known.learned, version) else {
        let what = format!("season {}: no report teaches anything that is not in the numbers", chosen.season);
        return Err(CommandError::CheckSaidNo(what));
    };
    let text = made.profile.to_toml();
    // What we write we must be able to read.
    Profile::parse(&text).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        CommandError::CheckSaidNo(format!("this makes no profile: {}", faults.join("; ")))
    })?;
    let regions = regions_of(&app, &chosen, &[]).await?;
    let dates = dates(&app, &chosen, &known.learned, &made.profile, &regions).await;
    let frozen = frozen_lines(&frozen_seasons(&known.frozen, chosen.season));
    print_out(&(in_words(&chosen, &made) + &frozen + &dates_words(profile, &dates)))?;
    if args.dry_run {
        eprintln!("nothing is written");
    } else if args.yes || is_wanted(version)? {
        let adopted = AdoptedProfile {
            profile: profile.id.clone(),
            version,
            text,
            adopted_at: chosen.now,
            adopted_by: args.said.by.clone(),
            why: args.said.why.clone(),
        };
        app.store.adopt_profile(&adopted).await?;
        eprintln!("version {version} of profile `{}` is kept; the service takes it up at its next cycle", profile.id);
    } else {
        eprintln!("nothing is written");
    }
    app.store.close().await;
    Ok(())
}

fn is_wanted(version: u32) -> Result<bool, CommandError> {
    if !std::io::stdin().is_terminal() {
        return Err(CommandError::Usage("nobody is there to be asked: say --yes, or --dry-run to look only".into()));
    }
    let _ = write!(std::io::stderr(), "write this as version {version}? [y/N] ");
    let mut answer = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut answer)
        .map_err(|why| CommandError::Failed(format!("the answer cannot be read: {why}")))?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}

/// What regions say now and what they would say.
async fn dates(app: &App, chosen: &Chosen, learned: &Learned, made: &Profile, regions: &[Region]) -> Vec<RegionDates> {
    let profile = &*chosen.profile;
    let after = Learned::prior(made, chosen.season);
    let mut dates = Vec::new();
    for region in regions {
        let before = learned.of_region(profile, &region.id);
        let after = after.of_region(made, &region.id);
        let looked = async {
            let before = one(app, region, profile, chosen, &before).await?;
            Ok::<_, crate::service::region_fault::RegionFault>((before, one(app, region, made, chosen, &after).await?))
        };
        match looked.await {
            Ok((before, after)) => dates.push(RegionDates::of(region, profile, &before, &after)),
            Err(why) => eprintln!("left out: region `{}`: {}", region.id, Chain(&why)),
        }
    }
    dates
}

/// With caches of its own, since a model belongs to one version of the profile.
async fn one(
    app: &App,
    region: &Region,
    profile: &Profile,
    chosen: &Chosen,
    belief: &SeasonBelief,
) -> Result<crate::assessment::season_model::Assessment, crate::service::region_fault::RegionFault> {
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let at = At { region, profile, now: chosen.seen };
    let [assessment] = with_beliefs(app, &mut records, &mut seasons, &mut CycleCache::default(), at, [belief]).await?;
    Ok(assessment)
}

fn in_words(chosen: &Chosen, made: &Adopted) -> String {
    let Chosen { profile, season, .. } = chosen;
    let mut text = format!(
        "{} ({}): version {} would follow version {}\n",
        profile.names.en, profile.id, made.profile.version, profile.version
    );
    for AdoptedStage { stage, sum_before, sum, belief_before, belief, reports } in &made.changes {
        text += &format!(
            "stage {stage}: {sum:.0} °C·day, was {sum_before:.0}; not known (sd) {belief:.0}, was {belief_before:.0}; from {}\n",
            counted(*reports as u64, "report", "reports")
        );
    }
    text += &format!(
        "How places and years differ stays as it was. Reports up to season {season} are then in the numbers and teach no more.\n"
    );
    if !chosen.is_over {
        text += "That season is still under way: its later reports would teach nothing, and what its reports say of this year\n\
                 and of single regions is given up. Adopting after the season keeps both.\n";
    }
    if made.profile.provisional {
        text += "The profile stays provisional: some reports are no fit (`treebell fit` makes one).\n";
    }
    text
}

fn dates_words(profile: &Profile, dates: &[RegionDates]) -> String {
    if dates.is_empty() { String::new() } else { format!("\nDates\n{}", table(profile, dates, "adopted")) }
}
