//! The door on a real socket: readers that do not read, as many as may be, and TLS.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test that fails should say where

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use nightclamp_analysis::job::{Channels, Job, TemperatureScale, Unit};
use nightclamp_analysis::status::UnitStatus;
use nightclamp_protocol::BoardId;
use nightclamp_web::access::Token;
use nightclamp_web::tls::{Tls, TlsError};
use nightclamp_web::{Feed, Live, Site, serve};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::ServerName;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

fn live() -> (Live, Feed) {
    let channels = Channels {
        current: "common".into(),
        ..Channels::default()
    };
    let unit = Unit {
        name: "freezer".into(),
        board: BoardId(1),
        channels,
        ..Unit::default()
    };
    Live::new(&Job {
        bench: None,
        name: "Proofing-room freezer".into(),
        site: None,
        timezone: chrono_tz::Europe::Lisbon,
        temperature: TemperatureScale::Celsius,
        clock_s: None,
        boards: Vec::new(),
        units: vec![unit],
    })
}

/// Serves it until the test ends.
async fn open(site: Site) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(serve(listener, site, std::future::pending()));
    address
}

async fn ask(stream: &mut (impl AsyncRead + AsyncWrite + Unpin), request: &str) {
    let request = format!("{request} HTTP/1.1\r\nhost: localhost\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
}

/// Reads until `wanted` has come.
async fn read_until(stream: &mut (impl AsyncRead + Unpin), wanted: &str) -> String {
    let mut seen = String::new();
    let mut buffer = [0; 4_096];
    while !seen.contains(wanted) {
        let count = stream.read(&mut buffer).await.unwrap();
        assert!(count > 0, "it ended before {wanted:?} came: {seen}");
        seen.push_str(&String::from_utf8_lossy(&buffer[..count]));
    }
    seen
}

fn publish(feed: &mut Feed, danger: &str) {
    let unit = UnitStatus {
        name: "freezer".into(),
        danger: Some(danger.into()),
        ..UnitStatus::default()
    };
    feed.publish(vec![unit], Vec::new(), Vec::new(), 0, None);
}

#[tokio::test]
async fn fifty_read_and_one_who_never_reads_holds_up_neither_them_nor_the_recorder() {
    let (live, mut feed) = live();
    publish(&mut feed, "first");
    let address = open(Site::new(live)).await;
    let mut stalled = TcpStream::connect(address).await.unwrap();
    ask(&mut stalled, "GET /api/v1/live").await;
    let mut readers = Vec::new();
    for _ in 0..50 {
        let mut reader = TcpStream::connect(address).await.unwrap();
        ask(&mut reader, "GET /api/v1/live").await;
        read_until(&mut reader, "first").await;
        readers.push(reader);
    }
    // Far more than any socket's buffer holds: publishing never waits.
    let large = "x".repeat(100_000);
    for _ in 0..200 {
        publish(&mut feed, &large);
        tokio::task::yield_now().await;
    }
    publish(&mut feed, "last of all");
    for reader in &mut readers {
        read_until(reader, "last of all").await;
    }
    // And others are still answered.
    let mut one_more = TcpStream::connect(address).await.unwrap();
    ask(&mut one_more, "GET /healthz").await;
    read_until(&mut one_more, "alive").await;
}

/// A page that has asked for the stream and takes nothing of it, while more is sent to it than any socket's buffer holds.
async fn stalled(address: SocketAddr, feed: &mut Feed) -> TcpStream {
    let mut stream = TcpStream::connect(address).await.unwrap();
    ask(&mut stream, "GET /api/v1/live").await;
    let large = "x".repeat(1 << 20);
    for _ in 0..20 {
        publish(feed, &large);
        tokio::time::sleep(Duration::from_millis(160)).await;
    }
    stream
}

#[tokio::test]
async fn who_takes_nothing_of_the_stream_is_let_go() {
    let (live, mut feed) = live();
    let patience = Duration::from_secs(1);
    let address = open(Site::new(live).with_patience(patience)).await;
    let mut stream = stalled(address, &mut feed).await;
    tokio::time::sleep(2 * patience).await;
    // To one that is still followed something would come, now and again.
    let mut read = 0;
    let mut buffer = vec![0; 1 << 16];
    loop {
        publish(&mut feed, "more");
        match stream.read(&mut buffer).await {
            Ok(0) | Err(_) => break,
            Ok(count) => read += count,
        }
        assert!(read < 20 << 20, "it goes on");
    }
}

#[tokio::test]
async fn who_takes_nothing_does_not_keep_the_dashboard_from_ending() {
    let (live, mut feed) = live();
    let site = Site::new(live).with_patience(Duration::from_secs(3_600));
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel();
    let served = tokio::spawn(serve(listener, site, async { stopped.await.unwrap() }));
    let _stream = stalled(address, &mut feed).await;
    stop.send(()).unwrap();
    let ended = tokio::time::timeout(Duration::from_secs(60), served).await;
    ended.expect("it waits for him").unwrap().unwrap();
}

#[tokio::test]
async fn under_tls_from_given_files_and_not_from_others() {
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let (cert, key) = (made.cert.pem(), made.signing_key.serialize_pem());
    let tls = Tls::from_pem(cert.as_bytes(), key.as_bytes()).unwrap();
    let token = Token::random().unwrap();
    let (live, _feed) = live();
    let address = open(Site::new(live).with_token(token.clone()).with_tls(tls)).await;

    let mut roots = RootCertStore::empty();
    roots.add(made.cert.der().clone()).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let connector = TlsConnector::from(Arc::new(config));
    // Whoever does not speak TLS is no trouble to who does.
    let mut clear = TcpStream::connect(address).await.unwrap();
    ask(&mut clear, "GET /").await;
    let stream = TcpStream::connect(address).await.unwrap();
    let name = ServerName::try_from("localhost").unwrap();
    let mut stream = connector.connect(name, stream).await.unwrap();
    ask(&mut stream, "GET /api/v1/now").await;
    read_until(&mut stream, "401").await;
    let body = format!(r#"{{"token":"{}"}}"#, token.as_str());
    let length = body.len();
    let request = format!(
        "POST /login HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: {length}\r\n\r\n{body}"
    );
    stream.write_all(request.as_bytes()).await.unwrap();
    let answer = read_until(&mut stream, "Secure\r\n").await;
    assert!(answer.contains("204 No Content"), "{answer}");
    assert!(answer.contains("__Host-nightclamp-"), "{answer}");

    let other = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let other_key = other.signing_key.serialize_pem();
    let refused = |cert: &str, key: &str| Tls::from_pem(cert.as_bytes(), key.as_bytes()).err();
    assert!(matches!(refused("", &key), Some(TlsError::Certificate(_))));
    assert!(matches!(refused(&cert, &cert), Some(TlsError::Key(_))));
    assert!(matches!(
        refused(&cert, &other_key),
        Some(TlsError::Pair(_))
    ));
}
