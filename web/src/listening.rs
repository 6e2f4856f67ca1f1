//! Connections: so many at once, and none that stands still for ever.
//!
//! A browser that reads slowly or not at all holds up its own connection and nothing else; when nothing could be sent to it for
//! [`STILL_MAX`], if nothing else is said, it is let go. A live stream sends something at least every 15 s, so what stands still for longer has left.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep, sleep};

use crate::tls::{Stream, Tls};

/// Connections at the same time; more wait until one ends. Fifty pages, each with the six that a browser may open.
pub const CONNECTIONS_MAX: usize = 320;
/// A connection over which nothing could be sent for so long is ended.
pub const STILL_MAX: Duration = Duration::from_secs(60);
/// After a connection could not be accepted (no descriptor is left, say).
const ACCEPT_AGAIN_AFTER: Duration = Duration::from_secs(1);

/// A socket that hands out connections under these limits.
pub struct Listening {
    socket: TcpListener,
    tls: Option<Tls>,
    room: Arc<Semaphore>,
    still_max: Duration,
}

impl Listening {
    /// On a bound socket; under TLS, if there is a certificate; letting go of connections that stand still for `still_max`.
    pub fn on(socket: TcpListener, tls: Option<Tls>, still_max: Duration) -> Self {
        let own = Self::with_limits(socket, CONNECTIONS_MAX, still_max);
        Self { tls, ..own }
    }

    fn with_limits(socket: TcpListener, connections: usize, still_max: Duration) -> Self {
        let room = Arc::new(Semaphore::new(connections));
        Self {
            socket,
            tls: None,
            room,
            still_max,
        }
    }
}

impl Listener for Listening {
    type Io = Connection<Stream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, SocketAddr) {
        loop {
            // Nobody closes this semaphore.
            let permit = Arc::clone(&self.room).acquire_owned().await.ok();
            match self.socket.accept().await {
                Ok((stream, peer)) => {
                    // Small messages go at once. What cannot be set is done without.
                    stream.set_nodelay(true).unwrap_or_default();
                    let stream = Stream::new(stream, self.tls.as_ref());
                    return (Connection::new(stream, permit, self.still_max), peer);
                }
                Err(error) => {
                    tracing::debug!("a connection to the dashboard was not accepted: {error}");
                    tokio::time::sleep(ACCEPT_AGAIN_AFTER).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.socket.local_addr()
    }
}

/// Where a request comes from.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub SocketAddr);

impl Connected<IncomingStream<'_, Listening>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Listening>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// A connection that ends when nothing could be sent over it for too long. What comes in gives no time: who sends a byte now
/// and then is no reader.
pub struct Connection<S> {
    stream: S,
    still_max: Duration,
    deadline: Pin<Box<Sleep>>,
    /// The next byte that comes begins a new request, which has its time from then.
    is_answered: bool,
    _permit: Option<OwnedSemaphorePermit>,
}

impl<S> Connection<S> {
    fn new(stream: S, permit: Option<OwnedSemaphorePermit>, still_max: Duration) -> Self {
        Self {
            stream,
            still_max,
            deadline: Box::pin(sleep(still_max)),
            is_answered: false,
            _permit: permit,
        }
    }

    fn moved(&mut self) {
        self.deadline
            .as_mut()
            .reset(Instant::now() + self.still_max);
    }

    /// Nothing can be done now: until it can, or the time is over.
    fn wait<T>(&mut self, context: &mut Context<'_>) -> Poll<io::Result<T>> {
        ready!(self.deadline.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Connection<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        match Pin::new(&mut self.stream).poll_read(context, buffer) {
            Poll::Ready(read) => {
                if std::mem::take(&mut self.is_answered) {
                    self.moved();
                }
                Poll::Ready(read)
            }
            Poll::Pending => self.wait(context),
        }
    }
}

impl<S: AsyncWrite + Unpin> Connection<S> {
    fn wrote(
        &mut self,
        context: &mut Context<'_>,
        written: Poll<io::Result<usize>>,
    ) -> Poll<io::Result<usize>> {
        if written.is_pending() {
            return self.wait(context);
        }
        self.is_answered = true;
        self.moved();
        written
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Connection<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.wrote(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(context, parts);
        self.wrote(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};
    use tokio::net::TcpStream;

    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[tokio::test(start_paused = true)]
    async fn who_reads_slowly_is_waited_for_and_who_stands_still_is_let_go() {
        let (near, mut far) = duplex(8);
        let mut near = Connection::new(near, None, STILL_MAX);
        let reader = tokio::spawn(async move {
            let mut byte = [0];
            for _ in 0..20 {
                tokio::time::sleep(30 * SECOND).await;
                far.read_exact(&mut byte).await.unwrap();
            }
            far
        });
        near.write_all(&[0; 8 + 20]).await.unwrap();
        let _far = reader.await.unwrap();
        let begun = Instant::now();
        let error = near.write_all(&[0; 8]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert!(begun.elapsed() >= STILL_MAX && begun.elapsed() < STILL_MAX + SECOND);
    }

    #[tokio::test(start_paused = true)]
    async fn a_request_that_drips_in_is_let_go() {
        let (near, mut far) = duplex(8);
        let mut near = Connection::new(near, None, STILL_MAX);
        tokio::spawn(async move {
            while far.write_all(b"x").await.is_ok() {
                tokio::time::sleep(SECOND).await;
            }
        });
        let begun = Instant::now();
        let mut bytes = Vec::new();
        let error = near.read_to_end(&mut bytes).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert!(begun.elapsed() < STILL_MAX + SECOND && bytes.len() >= 59);
    }

    #[tokio::test]
    async fn no_more_connections_than_there_is_room_for_and_one_that_ends_makes_room() {
        let socket = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = socket.local_addr().unwrap();
        let mut listening = Listening::with_limits(socket, 2, STILL_MAX);
        let _clients = [
            TcpStream::connect(address).await.unwrap(),
            TcpStream::connect(address).await.unwrap(),
            TcpStream::connect(address).await.unwrap(),
        ];
        let (first, _) = listening.accept().await;
        let _second = listening.accept().await;
        let third = tokio::time::timeout(Duration::from_millis(50), listening.accept()).await;
        assert!(third.is_err(), "there is no room");
        drop(first);
        listening.accept().await;
    }
}
