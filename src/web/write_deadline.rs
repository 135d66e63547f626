//! A stream whose reader may not take for ever.

use std::future::Future;
use std::io::{self, IoSlice};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// Fails a write that made no headway for `patience`: who sends requests and reads no answer would else hold the connection,
/// and what it was given, for as long as it likes.
pub(super) struct WriteDeadline<S> {
    stream: S,
    patience: Duration,
    /// Runs while nothing can be written.
    stuck: Option<Pin<Box<Sleep>>>,
}

impl<S> WriteDeadline<S> {
    pub fn new(stream: S, patience: Duration) -> Self {
        Self { stream, patience, stuck: None }
    }

    fn held_to<T>(&mut self, cx: &mut Context<'_>, step: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if step.is_ready() {
            self.stuck = None;
            return step;
        }
        let patience = self.patience;
        match self.stuck.get_or_insert_with(|| Box::pin(sleep(patience))).as_mut().poll(cx) {
            Poll::Ready(()) => {
                Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the answer is not being read")))
            }
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for WriteDeadline<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for WriteDeadline<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let step = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.held_to(cx, step)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let step = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.held_to(cx, step)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let step = Pin::new(&mut self.stream).poll_flush(cx);
        self.held_to(cx, step)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let step = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.held_to(cx, step)
    }
}
