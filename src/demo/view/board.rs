//! What the view knows: the regions, how warm each season has grown, what was told to whom.

use std::collections::{BTreeMap, VecDeque};

use chrono::{Days, NaiveDate};

use crate::demo::view::{Event, Step};
use crate::people::Channel;
use crate::region::RegionId;
use crate::season::outlook::WashShare;
use crate::season::{NoticeKind, StageId, StageOutlook};

/// The state of the view. Events go in; [`draw`](super::draw) and [`table`](super::table) read it.
#[derive(Clone, Debug)]
pub struct Board {
    pub place: String,
    pub year: i32,
    pub first: NaiveDate,
    pub last: NaiveDate,
    pub scale: Scale,
    /// From the lowest to the highest.
    pub rows: Vec<Row>,
    pub today: NaiveDate,
    /// Newest first.
    pub latest: VecDeque<LogLine>,
    pub emails: u32,
    pub texts: u32,
}

/// What the board is told of a region at the start.
#[derive(Clone, Debug)]
pub struct BoardRegion {
    pub id: RegionId,
    pub name: String,
    pub elevation_m: f64,
}

/// The heat that matters, °C·day since the biofix.
#[derive(Clone, Debug)]
pub struct Scale {
    /// In rising order.
    pub marks: Vec<Mark>,
    /// Stage that opens the window, and the one that closes it.
    pub opens: StageId,
    pub closes: StageId,
}

#[derive(Clone, Debug)]
pub struct Mark {
    /// One short word, such as `lay`.
    pub word: String,
    pub degree_days: f64,
}

#[derive(Clone, Debug)]
pub struct Row {
    pub id: RegionId,
    pub name: String,
    pub elevation_m: f64,
    pub heat: f64,
    pub opens: Expected,
    pub closes: Expected,
    /// The last day to wash as people were told last.
    pub deadline: Option<NaiveDate>,
    /// What a wash takes on each day, as known by now.
    pub wash: Option<WashShare>,
    pub notices: BTreeMap<NoticeKind, (NaiveDate, Step)>,
    pub emails: u32,
    pub texts: u32,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Expected {
    /// The day on which our heat number was reached, or by which somebody saw it.
    pub reached: Option<NaiveDate>,
    pub seen: bool,
    pub median: Option<NaiveDate>,
}

/// A line of the log.
#[derive(Clone, Debug, PartialEq)]
pub struct LogLine {
    pub day: NaiveDate,
    pub region: RegionId,
    pub kind: NoticeKind,
    pub step: Step,
}

const LOG_LENGTH: usize = 12;

impl Board {
    /// `first` and `last`: the days that are played.
    pub fn new(
        place: &str,
        first: NaiveDate,
        last: NaiveDate,
        scale: Scale,
        regions: impl IntoIterator<Item = BoardRegion>,
    ) -> Self {
        let mut rows: Vec<Row> = regions
            .into_iter()
            .map(|region| Row {
                id: region.id,
                name: region.name,
                elevation_m: region.elevation_m,
                heat: 0.0,
                opens: Expected::default(),
                closes: Expected::default(),
                deadline: None,
                wash: None,
                notices: BTreeMap::new(),
                emails: 0,
                texts: 0,
            })
            .collect();
        rows.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
        Self {
            place: place.to_owned(),
            year: chrono::Datelike::year(&last),
            first,
            last,
            scale,
            rows,
            today: first,
            latest: VecDeque::new(),
            emails: 0,
            texts: 0,
        }
    }

    /// Takes an event in. One of a region the board does not have is left out.
    pub fn apply(&mut self, event: Event) {
        match event {
            Event::Day { day, outlooks } => {
                self.today = day;
                for outlook in outlooks {
                    let (opens, closes) = (self.scale.opens.clone(), self.scale.closes.clone());
                    let Some(row) = self.row_mut(&outlook.season.region) else { continue };
                    let expected = |stage: &StageId| {
                        let stage = outlook.stage(stage);
                        Expected {
                            reached: stage.and_then(|stage| stage.reached).map(|reached| reached.on),
                            seen: stage.is_some_and(StageOutlook::seen),
                            median: stage.and_then(|stage| stage.spread.median),
                        }
                    };
                    row.heat = outlook.heat_sum;
                    row.opens = expected(&opens);
                    row.closes = expected(&closes);
                    row.wash = outlook.wash;
                }
            }
            Event::Notice { day, region, kind, step } => {
                let Some(row) = self.row_mut(&region) else { return };
                if let Step::GoesOut { deadline: Some(deadline), .. } = &step {
                    row.deadline = Some(*deadline);
                }
                row.notices.insert(kind, (day, step.clone()));
                self.latest.push_front(LogLine { day, region, kind, step });
                self.latest.truncate(LOG_LENGTH);
            }
            Event::Delivered { region, channel } => {
                let Some(row) = self.row_mut(&region) else { return };
                match channel {
                    Channel::Email => row.emails += 1,
                    Channel::Sms => row.texts += 1,
                }
                match channel {
                    Channel::Email => self.emails += 1,
                    Channel::Sms => self.texts += 1,
                }
            }
        }
    }

    pub fn row(&self, region: &RegionId) -> Option<&Row> {
        self.rows.iter().find(|row| row.id == *region)
    }

    /// Notices that wait for their hour or for a word of staff.
    pub fn waiting(&self) -> usize {
        self.rows.iter().flat_map(|row| row.notices.values()).filter(|(_, step)| step.waits()).count()
    }

    fn row_mut(&mut self, region: &RegionId) -> Option<&mut Row> {
        self.rows.iter_mut().find(|row| row.id == *region)
    }
}

impl Row {
    /// The day a notice went out to people, if it did.
    pub fn sent(&self, kind: NoticeKind) -> Option<NaiveDate> {
        match self.notices.get(&kind) {
            Some((day, Step::GoesOut { .. })) => Some(*day),
            _ => None,
        }
    }

    /// Share (0-1) of a tree's eggs that one wash within a week of a notice is expected to take, on average over the days of
    /// that week.
    pub fn eggs_off(&self, kind: NoticeKind) -> Option<f64> {
        const WEEK: u64 = 7;
        let (sent, wash) = (self.sent(kind)?, self.wash.as_ref()?);
        Some((0..=WEEK).map(|days| wash.on(sent + Days::new(days))).sum::<f64>() / (WEEK + 1) as f64)
    }

    /// Days from "get ready" to the day our heat number for egg laying was reached; negative when it came too late.
    pub fn days_ahead(&self) -> Option<i64> {
        Some((self.opens.reached? - self.sent(NoticeKind::GetReady)?).num_days())
    }
}

impl Step {
    pub fn waits(&self) -> bool {
        matches!(self, Step::WaitsUnlessHeld | Step::WaitsForStaff)
    }
}

impl Scale {
    /// The right end of a bar: a little beyond the last mark.
    pub fn end(&self) -> f64 {
        let last = self.marks.iter().map(|mark| mark.degree_days).fold(0.0, f64::max);
        if last > 0.0 { last * 1.12 } else { 100.0 }
    }
}

/// A notice in the view's words.
pub fn kind_words(kind: NoticeKind) -> &'static str {
    match kind {
        NoticeKind::GetReady => "get ready",
        NoticeKind::InspectNow => "inspect now",
        NoticeKind::WashNow => "wash now",
        NoticeKind::DeadlineMoved => "deadline moved",
        NoticeKind::LastDaysToWash => "last days to wash",
        NoticeKind::TooLateToWash => "too late to wash",
    }
}
