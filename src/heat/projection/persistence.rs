//! The term of a projection that can be exchanged: which anomaly is expected of a day to come, by what the days before it
//! were like.
//!
//! It works on many futures at once, a *lane* each. What this season's expected anomaly is over that of the future's own past
//! season on the same days is the lane's lead; the future is the past season's anomaly and its lead.

// The constants were tuned as the head of the room's module says; none has another source.
/// What a day's anomaly of minimum and maximum leaves to the next day's minimum (first row) and maximum (second).
const NEXT_DAY: [[f64; 2]; 2] = [[0.40, 0.27], [-0.12, 0.70]];
/// The last weeks' mean anomaly, and the share of it that stays.
pub(super) const WEEKS_DAYS: usize = 45;
const WEEKS_SHARE: f64 = 0.12;

/// Minimum and maximum, one value a lane.
pub(super) type Lanes = [Vec<f64>; 2];

/// What is expected of this season: a part that fades and a part that stays.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expectation {
    fades: [f64; 2],
    stays: [f64; 2],
}

impl Expectation {
    /// From the anomalies of the newest days, the newest first; `None` without any.
    pub(super) fn of(newest_first: &[[f64; 2]]) -> Option<Self> {
        let newest = newest_first.first()?;
        let mut sum = [0.0; 2];
        for anomaly in newest_first {
            sum[0] += anomaly[0];
            sum[1] += anomaly[1];
        }
        let stays = sum.map(|sum| WEEKS_SHARE * sum / newest_first.len() as f64);
        Some(Self { fades: [newest[0] - stays[0], newest[1] - stays[1]], stays })
    }

    /// Goes on to the next day and gives the anomaly that is expected of it.
    pub(super) fn next_day(&mut self) -> [f64; 2] {
        self.fades = next_day(self.fades);
        [self.stays[0] + self.fades[0], self.stays[1] + self.fades[1]]
    }
}

/// What this season is ahead of each lane's past one.
#[derive(Clone, Debug)]
pub(super) struct Leads {
    fades: Lanes,
    stays: Lanes,
    /// Of the day gone on to.
    pub(super) today: Lanes,
}

impl Leads {
    /// None at all.
    pub(super) fn none(lanes: usize) -> Self {
        let zeros = || [vec![0.0; lanes], vec![0.0; lanes]];
        Self { fades: zeros(), stays: zeros(), today: zeros() }
    }

    /// Sets the lanes from `at` on. `then`: their anomalies of the days on which this season's were known, as they were taken
    /// for `season`, in the same order.
    pub(super) fn set<'a>(
        &mut self,
        at: usize,
        season: &Expectation,
        then: impl Iterator<Item = [&'a [f64]; 2]> + Clone,
    ) {
        for element in 0..2 {
            let mut rows = then.clone().map(|row| row[element]);
            let Some(newest) = rows.next() else { return };
            let to = at + newest.len();
            let (fades, stays) = (&mut self.fades[element], &mut self.stays[element]);
            let (Some(fades), Some(stays)) = (fades.get_mut(at..to), stays.get_mut(at..to)) else { return };
            stays.copy_from_slice(newest);
            let mut days = 1.0;
            for row in rows {
                for (sum, anomaly) in stays.iter_mut().zip(row) {
                    *sum += anomaly;
                }
                days += 1.0;
            }
            for ((fades, stays), newest) in fades.iter_mut().zip(stays).zip(newest) {
                let slow = WEEKS_SHARE * *stays / days;
                *fades = season.fades[element] - (newest - slow);
                *stays = season.stays[element] - slow;
            }
        }
    }

    /// Goes on to the next day.
    #[inline(always)]
    pub(super) fn next_day(&mut self) {
        let [min, max] = &mut self.fades;
        let [today_min, today_max] = &mut self.today;
        let [stays_min, stays_max] = &self.stays;
        let lanes = min.len();
        let (min, max) = (&mut min[..lanes], &mut max[..lanes]);
        let (today_min, today_max) = (&mut today_min[..lanes], &mut today_max[..lanes]);
        let (stays_min, stays_max) = (&stays_min[..lanes], &stays_max[..lanes]);
        for lane in 0..lanes {
            let fades = next_day([min[lane], max[lane]]);
            min[lane] = fades[0];
            max[lane] = fades[1];
            today_min[lane] = fades[0] + stays_min[lane];
            today_max[lane] = fades[1] + stays_max[lane];
        }
    }

    /// The anomaly of one lane's day turned out as `came`, where its past season had `then`: what fades from here on.
    pub(super) fn turn(&mut self, lane: usize, element: usize, came: f64, then: f64) {
        let stays = self.stays[element].get(lane).copied().unwrap_or_default();
        if let Some(fades) = self.fades[element].get_mut(lane) {
            *fades = came - then - stays;
        }
    }
}

#[inline(always)]
fn next_day(fast: [f64; 2]) -> [f64; 2] {
    NEXT_DAY.map(|row| row[0] * fast[0] + row[1] * fast[1])
}
