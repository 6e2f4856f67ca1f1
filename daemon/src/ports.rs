//! `ports`: the serial ports of this machine, and what the board on one that is named says of itself.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use nightclamp_protocol::{Command, Framed, Framer, Outcome, Session, Table, decode, line};
use serialport::{SerialPortInfo, SerialPortType};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, timeout_at};
use tokio_serial::SerialStream;

use crate::capture::port;
use crate::cli::PortsArgs;
use crate::say;
use crate::text::printable;

/// Where the system keeps names of ports that stay the same whatever is plugged in first.
const BY_ID: &str = "/dev/serial/by-id";
/// How long a board has to say hello on its own: opening the port resets many boards.
const HELLO_WAIT: Duration = Duration::from_secs(3);
/// How long it has to answer once asked.
const ANSWER_WAIT: Duration = Duration::from_secs(3);

/// Runs `ports`.
///
/// # Errors
/// The ports cannot be listed; the named port cannot be opened; its board says nothing that can be understood.
pub async fn run(args: &PortsArgs) -> Result<()> {
    match &args.ask {
        Some(path) => ask(path).await,
        None => list(),
    }
}

fn list() -> Result<()> {
    let mut ports = serialport::available_ports().context("the serial ports cannot be listed")?;
    ports.sort_by(|a, b| a.port_name.cmp(&b.port_name));
    let stable = stable_names(Path::new(BY_ID));
    if ports.is_empty() {
        say::to_people("No serial port is present.");
    }
    for port in &ports {
        say::result(&describe(port, stable.get(Path::new(&port.port_name))))?;
    }
    Ok(())
}

/// The ports of this machine, as the set-up page shows them.
///
/// # Errors
/// The system does not list them.
pub fn found() -> Result<Vec<nightclamp_web::setup::Port>> {
    let mut ports = serialport::available_ports().context("the serial ports cannot be listed")?;
    ports.sort_by(|a, b| a.port_name.cmp(&b.port_name));
    let stable = stable_names(Path::new(BY_ID));
    let port = |info: &SerialPortInfo| {
        let path = Path::new(&info.port_name);
        let name = stable.get(path).map_or(path, PathBuf::as_path);
        nightclamp_web::setup::Port {
            port: printable(&name.to_string_lossy()),
            device: printable(&info.port_name),
            what: kind(&info.port_type),
            trouble: (!port::may_open(path)).then(|| port::explain_permission(path)),
        }
    };
    Ok(ports.iter().map(port).collect())
}

/// A port that was named by somebody, as the set-up page shows it.
pub fn named(port: String, why: &str) -> nightclamp_web::setup::Port {
    let path = Path::new(&port);
    let trouble = match path.exists() {
        false => Some(format!(
            "{} is not there: is the board plugged in?",
            printable(&port)
        )),
        true => (!port::may_open(path)).then(|| port::explain_permission(path)),
    };
    nightclamp_web::setup::Port {
        device: port.clone(),
        port,
        what: why.to_owned(),
        trouble,
    }
}

/// One port on one line; its stable name and what stands in the way of opening it on lines of their own below.
fn describe(info: &SerialPortInfo, stable: Option<&PathBuf>) -> String {
    let path = Path::new(&info.port_name);
    let mut text = format!("{}  {}", printable(&info.port_name), kind(&info.port_type));
    if let Some(name) = stable {
        text.push_str(&format!(
            "\n    port = \"{}\"",
            printable(&name.to_string_lossy())
        ));
    }
    if !port::may_open(path) {
        text.push_str(&format!("\n    {}", port::explain_permission(path)));
    }
    text
}

fn kind(kind: &SerialPortType) -> String {
    match kind {
        SerialPortType::UsbPort(usb) => {
            let mut text = format!("USB {:04x}:{:04x}", usb.vid, usb.pid);
            let names = [
                ("", &usb.manufacturer),
                ("", &usb.product),
                ("serial ", &usb.serial_number),
            ];
            for (what, name) in names {
                if let Some(name) = name {
                    text.push_str(&format!("  {what}{}", printable(name)));
                }
            }
            text
        }
        SerialPortType::PciPort => "built in".to_owned(),
        SerialPortType::BluetoothPort => "Bluetooth".to_owned(),
        SerialPortType::Unknown => "kind not known".to_owned(),
    }
}

/// Port to stable name, as far as the system has any.
fn stable_names(by_id: &Path) -> BTreeMap<PathBuf, PathBuf> {
    let Ok(entries) = fs::read_dir(by_id) else {
        return BTreeMap::new();
    };
    let names = entries.flatten().map(|entry| entry.path());
    names
        .filter_map(|name| Some((fs::canonicalize(&name).ok()?, name)))
        .collect()
}

/// Opens `path`, waits for the board's hello, asks for it if it does not come, and prints who it is.
async fn ask(path: &Path) -> Result<()> {
    let mut port = port::open(path)?;
    say::to_people(&format!(
        "{} is open; waiting for the board to say hello ...",
        path.display()
    ));
    let mut heard = Heard::default();
    if !heard.listen(&mut port, HELLO_WAIT).await? {
        let question = line(Command::Hello).to_string();
        let asked = timeout_at(
            Instant::now() + ANSWER_WAIT,
            port.write_all(question.as_bytes()),
        )
        .await;
        asked.map_err(|_| anyhow!("{}: the board takes no commands", path.display()))??;
        heard.listen(&mut port, ANSWER_WAIT).await?;
    }
    match heard.session.table() {
        Some(table) => {
            say::result(&describe_board(table))?;
            Ok(())
        }
        None => bail!("{}: {}", path.display(), heard.nothing()),
    }
}

fn describe_board(table: &Table) -> String {
    let mut text = format!(
        "board {}  boot {}  every {} ms  firmware {}",
        table.id,
        table.boot,
        table.period_ms,
        printable(table.firmware())
    );
    for (index, channel) in table.channels().iter().enumerate() {
        let (place, quantity, sensor) =
            (channel.place(), channel.quantity.as_str(), channel.sensor());
        let unit = match channel.quantity.unit() {
            "1" => String::new(),
            unit => format!(" in {unit}"),
        };
        text.push_str(&format!(
            "\n  {index}  {place}  {quantity}{unit}  sensor {sensor}"
        ));
    }
    text
}

/// What has been heard on a port.
struct Heard {
    framer: Framer,
    session: Session,
    bytes: u64,
    lines: u64,
    refused: u64,
    last_refusal: Option<String>,
}

impl Default for Heard {
    fn default() -> Self {
        Self {
            framer: Framer::new(),
            session: Session::new(),
            bytes: 0,
            lines: 0,
            refused: 0,
            last_refusal: None,
        }
    }
}

impl Heard {
    /// Listens for at most `patience`. True as soon as a complete channel table has come.
    async fn listen(&mut self, port: &mut SerialStream, patience: Duration) -> Result<bool> {
        let until = Instant::now() + patience;
        let mut buffer = [0; 1024];
        while self.session.table().is_none() {
            match timeout_at(until, port.read(&mut buffer)).await {
                Err(_) => return Ok(false),
                Ok(Ok(0)) => bail!("the port closed (unplugged?)"),
                Ok(Ok(bytes)) => self.take(buffer.get(..bytes).unwrap_or_default()),
                Ok(Err(error)) => {
                    return Err(error).context("the port cannot be read (unplugged?)");
                }
            }
        }
        Ok(true)
    }

    fn take(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        let Self {
            framer,
            session,
            lines,
            refused,
            last_refusal,
            ..
        } = self;
        framer.push(bytes, |framed| {
            let Framed::Line(text) = framed else { return };
            *lines += 1;
            let refusal = match decode(text) {
                // No clock is needed: nothing wraps within seconds.
                Ok(record) => match session.accept(&record, 0) {
                    Outcome::Refused(refusal) => refusal,
                    _ => return,
                },
                Err(refusal) => refusal,
            };
            *refused += 1;
            *last_refusal = Some(refusal.to_string());
        });
    }

    /// Why there is no table, in words.
    fn nothing(&self) -> String {
        if self.bytes == 0 {
            return "nothing came: is it a board that speaks the board line protocol?".to_owned();
        }
        let why = self
            .last_refusal
            .as_deref()
            .unwrap_or("no complete hello and channel table among them");
        format!(
            "{} bytes and {} lines came, {} lines refused ({why}): another baud rate than {}, or no such board?",
            self.bytes,
            self.lines,
            self.refused,
            port::BAUD
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serialport::UsbPortInfo;

    #[test]
    fn what_a_usb_device_calls_itself_cannot_command_the_terminal() {
        let usb = UsbPortInfo {
            vid: 0x2341,
            pid: 0x43,
            serial_number: Some("85\u{7}".to_owned()),
            manufacturer: None,
            product: Some("\u{1b}]0;owned\u{7}Uno".to_owned()),
        };
        let info = SerialPortInfo {
            port_name: "/dev/ttyACM0".to_owned(),
            port_type: SerialPortType::UsbPort(usb),
        };
        let text = describe(&info, Some(&PathBuf::from("/dev/serial/by-id/usb-Uno")));
        assert!(
            text.starts_with("/dev/ttyACM0  USB 2341:0043   ]0;owned Uno  serial 85 "),
            "{text}"
        );
        assert!(
            text.contains("port = \"/dev/serial/by-id/usb-Uno\""),
            "{text}"
        );
    }

    #[test]
    fn the_contracts_worked_stream_is_a_board_with_five_channels() {
        let stream = "N 0 boot power-on~BBEB\nH 1 7f3a91c2 18 5 100 refboard-1~9267\nC 0 current A -3 common ct~C078\n\
            C 1 emf V -6 case tc-K~9CF2\nC 2 temperature Cel -2 cold-junction ic~92AD\n\
            C 3 temperature Cel -2 ambient ic~0744\nC 4 contact 1 0 demand opto~62C9\n";
        let mut heard = Heard::default();
        heard.take(stream.as_bytes());
        let text = heard
            .session
            .table()
            .map(describe_board)
            .unwrap_or_default();
        assert!(text.starts_with("board 7f3a91c2  boot 18  every 100 ms  firmware refboard-1\n  0  common  current in A"), "{text}");
        assert_eq!(text.lines().count(), 6);
    }
}
