//! TLS from files that were given. Nothing is fetched and no certificate is made: who gives the files renews them, and starts
//! the program again.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{self, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::server::TlsStream;
use tokio_rustls::{Accept, TlsAcceptor, rustls};

/// A certificate with its key, TLS 1.3 only: every browser of this decade speaks it.
#[derive(Clone)]
pub struct Tls(TlsAcceptor);

/// Why files do not make a certificate.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// The first file.
    #[error("no certificate in PEM form can be read from it: {0}")]
    Certificate(pem::Error),
    /// The second file.
    #[error("no private key in PEM form can be read from it: {0}")]
    Key(pem::Error),
    /// They do not belong together, or are of a kind that is not known.
    #[error("the certificate and the key do not go together: {0}")]
    Pair(#[from] rustls::Error),
}

impl Tls {
    /// From the texts of two PEM files: a certificate with those that vouch for it, and its key.
    ///
    /// # Errors
    /// What is wrong with which.
    pub fn from_pem(certificates: &[u8], key: &[u8]) -> Result<Self, TlsError> {
        let chain: Vec<_> = CertificateDer::pem_slice_iter(certificates)
            .collect::<Result<_, _>>()
            .map_err(TlsError::Certificate)?;
        if chain.is_empty() {
            return Err(TlsError::Certificate(pem::Error::NoItemsFound));
        }
        let key = PrivateKeyDer::from_pem_slice(key).map_err(TlsError::Key)?;
        let provider = Arc::new(ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_protocol_versions(&[&rustls::version::TLS13])?
            .with_no_client_auth()
            .with_single_cert(chain, key)?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Self(TlsAcceptor::from(Arc::new(config))))
    }
}

/// A connection, in the clear or not. The handshake is made as it is read and written, under the same limits.
pub enum Stream {
    /// In the clear.
    Plain(TcpStream),
    /// The handshake is going on.
    Greeting(Box<Accept<TcpStream>>),
    /// Under TLS.
    Tls(Box<TlsStream<TcpStream>>),
}

impl Stream {
    /// A new connection.
    pub fn new(stream: TcpStream, tls: Option<&Tls>) -> Self {
        match tls {
            Some(tls) => Self::Greeting(Box::new(tls.0.accept(stream))),
            None => Self::Plain(stream),
        }
    }

    /// The stream once the handshake is done.
    fn poll_ready<'a>(
        &'a mut self,
        context: &mut Context<'_>,
    ) -> Poll<io::Result<Pin<&'a mut (dyn Both + Send)>>> {
        if let Self::Greeting(greeting) = self {
            let stream = ready!(Pin::new(&mut **greeting).poll(context))?;
            *self = Self::Tls(Box::new(stream));
        }
        Poll::Ready(match self {
            Self::Plain(stream) => Ok(Pin::new(stream)),
            Self::Tls(stream) => Ok(Pin::new(&mut **stream)),
            Self::Greeting(_) => Err(io::ErrorKind::NotConnected.into()),
        })
    }
}

trait Both: AsyncRead + AsyncWrite + Unpin {}
impl<T: AsyncRead + AsyncWrite + Unpin> Both for T {}

impl AsyncRead for Stream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        ready!(self.poll_ready(context))?.poll_read(context, buffer)
    }
}

impl AsyncWrite for Stream {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        ready!(self.poll_ready(context))?.poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.poll_ready(context))?.poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.poll_ready(context))?.poll_shutdown(context)
    }
}
