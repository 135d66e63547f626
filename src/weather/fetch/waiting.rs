//! How time passes between two tries of one request.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;

/// How time passes between two tries.
#[async_trait]
pub trait Waiting: Send + Sync {
    async fn wait(&self, time: Duration);
}

/// Really waits.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealWaiting;

#[async_trait]
impl Waiting for RealWaiting {
    async fn wait(&self, time: Duration) {
        tokio::time::sleep(time).await;
    }
}

/// Only notes how long it was asked to wait: for tests.
#[derive(Debug, Default)]
pub struct NotedWaiting(Mutex<Vec<Duration>>);

impl NotedWaiting {
    pub fn waits(&self) -> Vec<Duration> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[async_trait]
impl Waiting for NotedWaiting {
    async fn wait(&self, time: Duration) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push(time);
    }
}
