//! How time passes between two tries of one request.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;

/// How time passes between two tries.
#[async_trait]
pub trait Sleeper: Send + Sync {
    async fn wait(&self, time: Duration);
}

/// Really waits.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealSleeper;

#[async_trait]
impl Sleeper for RealSleeper {
    async fn wait(&self, time: Duration) {
        tokio::time::sleep(time).await;
    }
}

/// Only notes how long it was asked to wait: for tests.
#[derive(Debug, Default)]
pub struct NotedSleeper(Mutex<Vec<Duration>>);

impl NotedSleeper {
    pub fn waits(&self) -> Vec<Duration> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[async_trait]
impl Sleeper for NotedSleeper {
    async fn wait(&self, time: Duration) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push(time);
    }
}
