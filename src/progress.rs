//! What the parts of a running service have done last: a sign of life is a step of real work or a look that found none.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A part of the service that has to go on while it runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Keeps the schedule; also each step of a cycle.
    Schedule,
    /// Works the queue.
    Dispatcher,
    /// Takes connections to the pages and answers them.
    Pages,
    /// Looks for alarms.
    Alarms,
}

impl Part {
    pub fn name(self) -> &'static str {
        match self {
            Part::Schedule => "schedule",
            Part::Dispatcher => "dispatcher",
            Part::Pages => "pages",
            Part::Alarms => "alarms",
        }
    }
}

/// The last step of each part. Cheap to clone; all clones tell each other.
#[derive(Clone, Debug, Default)]
pub struct Progress(Arc<Mutex<BTreeMap<Part, Step>>>);

#[derive(Clone, Copy, Debug)]
struct Step {
    at: Instant,
    steps: u64,
}

impl Progress {
    /// The part has just done something. From its first step on it is expected to make more.
    pub fn made(&self, part: Part) {
        let mut parts = self.parts();
        let steps = parts.get(&part).map_or(0, |last| last.steps);
        parts.insert(part, Step { at: Instant::now(), steps: steps + 1 });
    }

    /// The part has come to an orderly end: no more steps are expected.
    pub fn ended(&self, part: Part) {
        self.parts().remove(&part);
    }

    /// How long ago each part made its last step.
    pub fn since(&self) -> Vec<(Part, Duration)> {
        self.parts().iter().map(|(part, last)| (*part, last.at.elapsed())).collect()
    }

    /// The parts that have made no step for longer than `patience`.
    pub fn stalled(&self, patience: Duration) -> Vec<(Part, Duration)> {
        self.since().into_iter().filter(|(_, since)| *since > patience).collect()
    }

    /// How many steps a part has made; 0 when it does not run.
    pub fn steps(&self, part: Part) -> u64 {
        self.parts().get(&part).map_or(0, |last| last.steps)
    }

    fn parts(&self) -> std::sync::MutexGuard<'_, BTreeMap<Part, Step>> {
        // A thread that panicked here left nothing half done.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_expected_to_go_on_from_its_first_step_to_its_end() {
        let progress = Progress::default();
        assert!(progress.stalled(Duration::ZERO).is_empty(), "what was not begun cannot stall");
        progress.made(Part::Schedule);
        progress.made(Part::Dispatcher);
        assert!(progress.stalled(Duration::from_secs(3600)).is_empty());
        let stalled: Vec<Part> = progress.stalled(Duration::ZERO).into_iter().map(|(part, _)| part).collect();
        assert_eq!(stalled, [Part::Schedule, Part::Dispatcher]);
        progress.ended(Part::Schedule);
        assert_eq!(progress.stalled(Duration::ZERO).len(), 1);
    }
}
