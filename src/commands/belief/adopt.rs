//! `treebell belief adopt`.

use super::ask::{Chosen, Which};
use super::learn::{frozen_lines, frozen_seasons};
use super::show::regions_of;
use crate::commands::ask::{Go, Said};
use crate::commands::error::CommandError;
use crate::commands::format::{counted, print_out};
use crate::commands::new_version::{Believed, dates_now, dates_words, keep, newest_version};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::season::Profile;
use crate::season::adopt::{Adopted, AdoptedStage, adopted};
use crate::season::learning::Learned;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::learning::lessons;
use crate::text::Chain;

#[derive(Debug, clap::Args)]
pub struct Adopt {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    said: Said,
    #[command(flatten)]
    go: Go,
}

pub async fn run(args: &Adopt, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app, config).await?;
    let profile = &*chosen.profile;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(&app, &mut records, &mut seasons, profile, chosen.season, chosen.now)
        .await
        .map_err(|why| CommandError::Failed(Chain(&why).to_string()))?;
    let version = newest_version(&app, &profile.id).await?.max(profile.version).saturating_add(1);
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
    let before = Believed { profile, learned: &known.learned };
    let after = Believed { profile: &made.profile, learned: &Learned::prior(&made.profile, chosen.season) };
    let dates = dates_now(&app, chosen.seen, before, after, &regions).await;
    let frozen = frozen_lines(&frozen_seasons(&known.frozen, chosen.season));
    print_out(&(in_words(&chosen, &made) + &frozen + &dates_words(profile, &dates, "adopted")))?;
    if args.go.is_wanted(&format!("write this as version {version}?"))? {
        keep(&app, &made.profile, &args.said, chosen.now).await?;
    }
    app.store.close().await;
    Ok(())
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
