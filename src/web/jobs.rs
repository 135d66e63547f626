//! Long work behind a page: begun once for all who ask, one after the other, and its outcome kept for a while. A page waits a
//! moment for it, and then shows how far it is and asks again.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Semaphore, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::service::past_cache::Watch;

/// So long an outcome is shown; then it is worked out anew.
const KEPT: Duration = Duration::from_secs(10 * 60);

/// Work that is kept or under way at once.
const MOST: usize = 12;

/// So long a page waits for work before it shows how far it is.
pub(super) const PATIENCE: Duration = Duration::from_millis(2500);

/// Work of one kind, by a key of all that its outcome hangs on.
pub(super) struct Jobs<T> {
    all: Mutex<HashMap<String, Job<T>>>,
    /// One at a time: whole seasons of many regions are worked out.
    turn: Arc<Semaphore>,
    under_way: TaskTracker,
    /// No more work is done.
    rests: CancellationToken,
}

struct Job<T> {
    begun: Instant,
    steps: Steps,
    outcome: Told<T>,
}

/// Done, and of how many.
type Steps = Arc<(AtomicU64, AtomicU64)>;

type Told<T> = watch::Receiver<Option<Outcome<T>>>;

type Outcome<T> = Result<Arc<T>, String>;

/// Where a piece of work stands.
pub(super) enum Stand<T> {
    /// Steps done, and of how many; 0 of 0: it waits for its turn.
    UnderWay(u64, u64),
    Done(Arc<T>),
    /// Why it came to nothing, in words.
    Failed(String),
}

impl<T> Default for Jobs<T> {
    fn default() -> Self {
        Self {
            all: Mutex::default(),
            turn: Arc::new(Semaphore::new(1)),
            under_way: TaskTracker::new(),
            rests: CancellationToken::new(),
        }
    }
}

impl<T: Send + Sync + 'static> Jobs<T> {
    /// The outcome of the work of this key, which `work` begins unless it is known or under way; waits for it no longer than
    /// `patience`.
    pub async fn ask<F>(&self, key: &str, patience: Duration, work: impl FnOnce(Watch) -> F) -> Stand<T>
    where
        F: Future<Output = Result<T, String>> + Send + 'static,
    {
        let Some((steps, mut outcome)) = self.known_or_begun(key, work) else {
            return Stand::Failed("too much is being worked out already: ask again in some minutes".to_owned());
        };
        let come = tokio::time::timeout(patience, outcome.wait_for(Option::is_some)).await;
        match come {
            Ok(Ok(found)) => match &*found {
                Some(Ok(found)) => Stand::Done(Arc::clone(found)),
                Some(Err(why)) => Stand::Failed(why.clone()),
                None => Stand::UnderWay(0, 0),
            },
            // The work broke off; whoever asks next begins anew.
            Ok(Err(_)) => Stand::Failed("the work broke off".to_owned()),
            Err(_) => Stand::UnderWay(steps.0.load(Ordering::Relaxed), steps.1.load(Ordering::Relaxed)),
        }
    }

    /// Breaks off what is under way, lets no more be done, and waits until none is.
    pub async fn rest(&self) {
        self.rests.cancel();
        self.under_way.close();
        self.under_way.wait().await;
    }

    fn known_or_begun<F>(&self, key: &str, work: impl FnOnce(Watch) -> F) -> Option<(Steps, Told<T>)>
    where
        F: Future<Output = Result<T, String>> + Send + 'static,
    {
        // A thread that panicked here left nothing half done.
        let mut all = self.all.lock().unwrap_or_else(PoisonError::into_inner);
        // What failed, broke off or is old is forgotten.
        all.retain(|_, job| match &*job.outcome.borrow() {
            Some(Ok(_)) => job.begun.elapsed() < KEPT,
            Some(Err(_)) => false,
            None => job.outcome.has_changed().is_ok(),
        });
        if let Some(job) = all.get(key) {
            return Some((Arc::clone(&job.steps), job.outcome.clone()));
        }
        if all.len() >= MOST {
            let done = all.iter().filter(|(_, job)| job.outcome.borrow().is_some());
            let oldest = done.min_by_key(|(_, job)| job.begun).map(|(key, _)| key.clone())?;
            all.remove(&oldest);
        }
        let steps = Arc::new((AtomicU64::new(0), AtomicU64::new(0)));
        let counts = Arc::clone(&steps);
        let watch: Watch = Arc::new(move |done, of| {
            counts.0.store(done, Ordering::Relaxed);
            counts.1.store(of, Ordering::Relaxed);
        });
        let (tell, outcome) = watch::channel(None);
        let (turn, work) = (Arc::clone(&self.turn), work(watch));
        let rests = self.rests.clone();
        self.under_way.spawn(async move {
            let done = async {
                let _turn = turn.acquire_owned().await;
                work.await.map(Arc::new)
            };
            let found = tokio::select! {
                biased;
                () = rests.cancelled() => return,
                found = done => found,
            };
            // Nobody may wait for it any more.
            let _ = tell.send(Some(found));
        });
        all.insert(key.to_owned(), Job { begun: Instant::now(), steps: Arc::clone(&steps), outcome: outcome.clone() });
        Some((steps, outcome))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn work_is_begun_once_and_told_how_far_it_is_until_it_is_done() {
        let jobs: Jobs<u32> = Jobs::default();
        let (go, wait) = tokio::sync::oneshot::channel::<()>();
        let stand = jobs
            .ask("a", Duration::ZERO, |watch| async move {
                watch(2, 7);
                let _ = wait.await;
                Ok(42)
            })
            .await;
        assert!(matches!(stand, Stand::UnderWay(..)));
        let never = |_: Watch| async { panic!("begun a second time") };
        // It comes to its first step as soon as it has the turn.
        let mut seen = (0, 0);
        while seen != (2, 7) {
            match jobs.ask("a", Duration::from_millis(5), never).await {
                Stand::UnderWay(done, of) => seen = (done, of),
                _ => panic!("it waits"),
            }
        }
        go.send(()).unwrap();
        assert!(matches!(jobs.ask("a", Duration::from_secs(60), never).await, Stand::Done(found) if *found == 42));
        // What failed is tried again.
        let fails = |_: Watch| async { Err("no".to_owned()) };
        assert!(matches!(jobs.ask("b", Duration::from_secs(60), fails).await, Stand::Failed(why) if why == "no"));
        let works = |_: Watch| async { Ok(1) };
        assert!(matches!(jobs.ask("b", Duration::from_secs(60), works).await, Stand::Done(_)));
        let breaks = |_: Watch| async { panic!("as a check wants it") };
        assert!(matches!(jobs.ask("c", Duration::from_secs(60), breaks).await, Stand::Failed(_)));
        assert!(matches!(jobs.ask("c", Duration::from_secs(60), works).await, Stand::Done(_)));
    }

    #[tokio::test]
    async fn work_that_nobody_may_do_any_more_is_broken_off_and_none_is_begun() {
        let jobs: Jobs<u32> = Jobs::default();
        let (done, mut ended) = tokio::sync::oneshot::channel::<()>();
        let goes_on = |_: Watch| async move {
            let _done = done;
            std::future::pending::<Result<u32, String>>().await
        };
        assert!(matches!(jobs.ask("a", Duration::ZERO, goes_on).await, Stand::UnderWay(..)));
        tokio::time::timeout(Duration::from_secs(60), jobs.rest()).await.expect("it is not waited for");
        assert!(matches!(ended.try_recv(), Err(tokio::sync::oneshot::error::TryRecvError::Closed)), "it is dropped");
        let works = |_: Watch| async { Ok(1) };
        assert!(matches!(jobs.ask("b", Duration::from_secs(60), works).await, Stand::Failed(_)));
    }
}
