//! A station's skill as a compact run of bytes, to be kept and found again: exactly what was worked out, or nothing.
//!
//! Numbers are little-endian; what is looked for in vain, cut short or changed reads as `None` and is worked out anew.

use std::collections::BTreeMap;

use super::bytes::{Reader, opened, sealed};
use crate::season::outlook::{Dressing, ForecastSkill, StageSkill};
use crate::season::{PastScore, StageId};

/// Of this layout: raise it with every change below.
const LAYOUT: u8 = 1;

pub fn to_bytes(skill: &ForecastSkill) -> Vec<u8> {
    let mut to = vec![LAYOUT];
    let year = |to: &mut Vec<u8>, year: Option<i32>| {
        to.push(u8::from(year.is_some()));
        to.extend(year.unwrap_or_default().to_le_bytes());
    };
    let count = |to: &mut Vec<u8>, count: usize| to.extend((count as u32).to_le_bytes());
    to.extend(skill.seasons.to_le_bytes());
    year(&mut to, skill.first_season);
    year(&mut to, skill.last_season);
    to.push(u8::from(skill.widened));
    count(&mut to, skill.dressing.0.len());
    for (days, errors) in &skill.dressing.0 {
        to.extend(days.to_le_bytes());
        count(&mut to, errors.len());
        errors.iter().for_each(|error| to.extend(error.to_le_bytes()));
    }
    count(&mut to, skill.stages.len());
    for StageSkill { stage, rows } in &skill.stages {
        count(&mut to, stage.0.len());
        to.extend(stage.0.as_bytes());
        count(&mut to, rows.len());
        for PastScore { lead_days, n, bias_days, mae_days, crps_days, skill, held } in rows {
            to.extend(lead_days.to_le_bytes());
            to.extend(n.to_le_bytes());
            for value in [*bias_days, *mae_days, *crps_days, *held, skill.unwrap_or_default()] {
                to.extend(value.to_le_bytes());
            }
            to.push(u8::from(skill.is_some()));
        }
    }
    sealed(to)
}

/// `None` for anything but what [`to_bytes`] gives.
pub fn from_bytes(bytes: &[u8]) -> Option<ForecastSkill> {
    let mut from = opened(bytes)?;
    if from.byte()? != LAYOUT {
        return None;
    }
    let seasons = from.number()?;
    let (first_season, last_season) = (year(&mut from)?, year(&mut from)?);
    let widened = from.byte()? != 0;
    let mut dressing = BTreeMap::new();
    for _ in 0..from.number()? {
        let days = from.number()?;
        let errors = (0..from.number()?).map(|_| from.value()).collect::<Option<Vec<f64>>>()?;
        dressing.insert(days, errors);
    }
    let mut stages = Vec::new();
    for _ in 0..from.number()? {
        let length = from.number()? as usize;
        let stage = StageId(std::str::from_utf8(from.take(length)?).ok()?.to_owned());
        let rows = (0..from.number()?).map(|_| score(&mut from)).collect::<Option<Vec<PastScore>>>()?;
        stages.push(StageSkill { stage, rows });
    }
    let dressing = Dressing(dressing);
    from.is_at_end().then_some(ForecastSkill { seasons, first_season, last_season, dressing, widened, stages })
}

fn score(from: &mut Reader<'_>) -> Option<PastScore> {
    let (lead_days, n) = (from.number()?, from.number()?);
    let (bias_days, mae_days, crps_days) = (from.value()?, from.value()?, from.value()?);
    let (held, skill) = (from.value()?, from.value()?);
    let skill = (from.byte()? != 0).then_some(skill);
    Some(PastScore { lead_days, n, bias_days, mae_days, crps_days, skill, held })
}

fn year(from: &mut Reader<'_>) -> Option<Option<i32>> {
    let is_there = from.byte()? != 0;
    let year = from.signed()?;
    Some(is_there.then_some(year))
}

#[cfg(test)]
mod tests {
    use super::super::bytes::SUM;
    use super::*;

    fn skill() -> ForecastSkill {
        let score = |lead_days, skill| PastScore {
            lead_days,
            n: 40,
            bias_days: -0.1 + 0.2,
            mae_days: 3.5,
            crps_days: 1.0 / 3.0,
            skill,
            held: 0.8,
        };
        let rows = vec![score(70, None), score(3, Some(0.25))];
        ForecastSkill {
            seasons: 41,
            first_season: Some(-3),
            last_season: None,
            dressing: Dressing(BTreeMap::from([(3, vec![-1.0, 0.1]), (38, vec![])])),
            widened: true,
            stages: vec![
                StageSkill { stage: StageId("eggs".into()), rows },
                StageSkill { stage: StageId(String::new()), rows: vec![] },
            ],
        }
    }

    #[test]
    fn what_is_kept_is_what_was_worked_out() {
        for skill in [skill(), ForecastSkill::default()] {
            assert_eq!(from_bytes(&to_bytes(&skill)), Some(skill));
        }
    }

    #[test]
    fn what_was_cut_or_changed_reads_as_nothing() {
        let whole = to_bytes(&skill());
        for to in 0..whole.len() {
            assert_eq!(from_bytes(&whole[..to]), None, "{to} bytes");
            let mut changed = whole.clone();
            changed[to] ^= 0x40;
            assert_eq!(from_bytes(&changed), None, "byte {to}");
        }
        // Of another layout, though its sum is right.
        let mut other = whole[..whole.len() - SUM].to_vec();
        other[0] += 1;
        assert_eq!(from_bytes(&sealed(other)), None);
    }
}
