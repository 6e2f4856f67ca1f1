//! The board: samples the world by its own clock and says so, line by line, on a serial line of finite speed.

use crate::damage;
use crate::dice::Dice;
use crate::scenario::{Happening, Scenario, SensorFault};
use crate::sensors::{Sensor, Value, View};
use crate::truth::{BootTruth, SensorTruth, Truth};
use crate::wire::{self, Command, Ear};
use crate::world::World;
use std::collections::VecDeque;

/// Start bit, eight data bits, stop bit.
const BITS_A_BYTE: f64 = 10.0;
/// The board's inside follows the room with this, s.
const JUNCTION_LAG_S: f64 = 400.0;

/// One line that left the board.
#[derive(Debug, Clone, Copy)]
pub struct Emission<'a> {
    /// True time at which its last byte had left, s; up to its own sending time after the time asked for.
    pub at_s: f64,
    /// Its bytes, LF included; a damaged one may hold several LFs or none.
    pub line: &'a [u8],
}

/// Receiver of lines.
pub type Each<'a> = &'a mut dyn FnMut(Emission<'_>);

/// What a line is, for the account of what was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LineKind {
    Sample,
    Other,
}

/// A simulated board in its world.
#[derive(Debug, Clone)]
pub struct SimBoard {
    scenario: Scenario,
    world: World,
    script: VecDeque<(f64, Happening)>,
    truth: Truth,
    sensors: Vec<Sensor>,
    currents: Vec<(f64, f64)>,
    dice: Dice,
    now_s: f64,
    /// Silent until then; the boot is announced at its end.
    booting_until_s: Option<(f64, &'static str)>,
    boot: u32,
    boot_at_s: f64,
    ms_start: u32,
    /// Board time since boot at the end of the last sample period, ms.
    elapsed_ms: u64,
    period_ms: u32,
    seq: u16,
    hello_due_s: f64,
    line_free_s: f64,
    mute: bool,
    pressed: bool,
    damage_share: f64,
    ear: Ear,
    commands: Vec<Command>,
    junction_c: f64,
    line: Vec<u8>,
}

impl SimBoard {
    /// The board of a scenario, just powered on at time 0.
    pub fn new(scenario: Scenario) -> Self {
        let dice = Dice::new(scenario.seed);
        let mut truth = Truth::default();
        let world = World::new(&scenario, &dice, &mut truth);
        let sensors = (0u64..)
            .zip(&scenario.channels)
            .map(|(i, c)| Sensor::new(&scenario, c, dice.fork(0x1000 + i)))
            .collect();
        Self {
            junction_c: world.room.air_c + scenario.board.self_heating_k,
            world,
            script: scenario.in_order(Happening::is_for_board),
            truth,
            sensors,
            currents: Vec::new(),
            dice: dice.fork(0x20),
            now_s: 0.0,
            booting_until_s: Some((0.0, "power-on")),
            boot: scenario.board.boot,
            boot_at_s: 0.0,
            ms_start: scenario.board.ms_start,
            elapsed_ms: 0,
            period_ms: scenario.board.period_ms,
            seq: 0,
            hello_due_s: 0.0,
            line_free_s: 0.0,
            mute: false,
            pressed: false,
            damage_share: scenario.board.damage_share,
            ear: Ear::default(),
            commands: Vec::new(),
            line: Vec::new(),
            scenario,
        }
    }

    /// The scenario it was made from.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// True time reached, s.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// What has happened so far.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// Bytes from the host; what is asked is done at the next `advance`.
    pub fn host_says(&mut self, bytes: &[u8]) {
        let commands = self.ear.hear(bytes);
        self.commands.extend(commands);
    }

    /// Boots the board now, as pulling its reset line would.
    pub fn reset(&mut self, cause: &'static str) {
        self.booting_until_s = Some((self.now_s + self.scenario.board.boot_time_s, cause));
        self.boot = self.boot.wrapping_add(1);
        self.ms_start = 0;
    }

    /// Lets something happen now that is not in the script.
    pub fn happen(&mut self, what: Happening) {
        self.catch_up();
        if what.is_for_board() {
            self.happen_to_board(what);
        } else {
            self.world.happen(&what, &mut self.truth);
        }
    }

    /// So many of the last samples did not get out after all: whoever took the lines had no room.
    pub fn note_unsent(&mut self, samples: u64) {
        self.count(|b| {
            b.sent = b.sent.saturating_sub(samples);
            b.unsent += samples;
        });
    }

    /// Goes on to `until_s`, handing out every line that leaves. The bytes do not depend on how the way there
    /// is cut into calls.
    pub fn advance(&mut self, until_s: f64, each: Each<'_>) {
        self.obey(each);
        loop {
            if self.pressed && self.booting_until_s.is_none() {
                self.pressed = false;
                self.say_mark(each);
            }
            let scripted_s = self.script.front().map_or(f64::INFINITY, |e| e.0);
            let stop_s = self.next_act_s().min(scripted_s).max(self.now_s);
            if stop_s > until_s {
                break;
            }
            self.now_s = stop_s;
            self.catch_up();
            if scripted_s <= stop_s {
                if let Some((_, what)) = self.script.pop_front() {
                    self.happen_to_board(what);
                }
            } else {
                self.act(each);
            }
        }
        self.now_s = self.now_s.max(until_s);
    }

    /// Brings the world to the board's time. It is stepped only to where the board acts, so that a night is
    /// the same however it is asked for.
    fn catch_up(&mut self) {
        self.world.advance(self.now_s, &mut self.truth);
    }

    /// When the board next does something of itself, s.
    fn next_act_s(&self) -> f64 {
        match self.booting_until_s {
            Some((until_s, _)) => until_s,
            None => self.sample_due_s().min(self.hello_due_s),
        }
    }

    fn act(&mut self, each: Each<'_>) {
        if let Some((until_s, cause)) = self.booting_until_s {
            if until_s <= self.now_s {
                self.say_boot(cause, each);
            }
            return;
        }
        if self.sample_due_s() <= self.now_s {
            self.sample(each);
        }
        if self.hello_due_s <= self.now_s {
            self.say_hello(each);
        }
    }

    fn happen_to_board(&mut self, what: Happening) {
        match what {
            Happening::Boot(cause) => self.reset(cause),
            Happening::Mark => {
                self.pressed = true;
                self.truth.marks.push(self.now_s);
            }
            Happening::Mute(mute) => self.mute = mute,
            Happening::Damage(share) => self.damage_share = share,
            Happening::Sensor(place, fault) => self.set_sensor(&place, fault),
            _ => {}
        }
    }

    fn set_sensor(&mut self, place: &str, fault: SensorFault) {
        let now_s = self.now_s;
        for sensor in self.sensors.iter_mut().filter(|s| s.place() == place) {
            sensor.set_fault(fault, now_s);
            self.truth.sensors.push(SensorTruth {
                at_s: now_s,
                place: place.to_owned(),
                fault,
            });
        }
    }

    /// True seconds for so many ms of the board's clock.
    fn true_s(&self, board_ms: f64) -> f64 {
        board_ms / 1000.0 / (1.0 + self.scenario.board.drift_ppm * 1e-6)
    }

    fn sample_due_s(&self) -> f64 {
        self.boot_at_s + self.true_s((self.elapsed_ms + u64::from(self.period_ms)) as f64)
    }

    /// The board's clock now, as sent.
    fn clock_ms(&self) -> u32 {
        let since_s = (self.now_s - self.boot_at_s).max(0.0);
        let ms = since_s * 1000.0 * (1.0 + self.scenario.board.drift_ppm * 1e-6);
        self.ms_start.wrapping_add(ms as u64 as u32)
    }

    fn obey(&mut self, each: Each<'_>) {
        for command in std::mem::take(&mut self.commands) {
            if self.booting_until_s.is_some() {
                continue; // nobody listens while it boots
            }
            match command {
                Command::Hello => self.say_hello(each),
                Command::Period(ms) => {
                    self.set_period(ms);
                    self.answer(b'P', "ok", each);
                    self.say_hello(each);
                }
                Command::Zero(index) => {
                    let zeroed = usize::try_from(index)
                        .ok()
                        .and_then(|i| self.sensors.get_mut(i));
                    let said = match zeroed.map(Sensor::take_zero) {
                        Some(true) => "ok",
                        Some(false) => "no not-a-current",
                        None => "no no-such-channel",
                    };
                    self.answer(b'Z', said, each);
                }
                Command::Refused(letter, why) => self.answer(letter, &format!("no {why}"), each),
            }
        }
    }

    /// The period under way is dropped and a new one begins now.
    fn set_period(&mut self, ms: u32) {
        self.period_ms = ms;
        let elapsed = self.clock_ms().wrapping_sub(self.ms_start);
        // Only the low 32 bits are on the clock; the high ones are those of the last sample.
        let high = self.elapsed_ms & !u64::from(u32::MAX);
        let now = high | u64::from(elapsed);
        self.elapsed_ms = if now < self.elapsed_ms {
            now + (1 << 32)
        } else {
            now
        };
        self.catch_up();
        self.world.take_rms(&mut self.currents);
    }

    fn say_boot(&mut self, cause: &'static str, each: Each<'_>) {
        self.booting_until_s = None;
        self.boot_at_s = self.now_s;
        self.elapsed_ms = 0;
        self.seq = 0;
        self.period_ms = self.scenario.board.period_ms;
        self.line_free_s = self.now_s;
        self.commands.clear();
        self.world.take_rms(&mut self.currents);
        self.sensors.iter_mut().for_each(Sensor::lose_zero);
        self.truth.boots.push(BootTruth {
            boot: self.boot,
            cause,
            at_s: self.now_s,
            ms_start: self.ms_start,
            ..BootTruth::default()
        });
        let body = format!("N {} boot {cause}", self.ms_start);
        self.say(&body, each);
        self.say_hello(each);
    }

    fn say_mark(&mut self, each: Each<'_>) {
        let body = format!("N {} mark", self.clock_ms());
        self.say(&body, each);
    }

    fn answer(&mut self, letter: u8, said: &str, each: Each<'_>) {
        let body = format!("A {} {} {said}", self.clock_ms(), char::from(letter));
        self.say(&body, each);
    }

    fn say_hello(&mut self, each: Each<'_>) {
        self.hello_due_s = self.now_s + self.scenario.board.hello_every_s;
        let board = &self.scenario.board;
        let hello = format!(
            "H 1 {:08x} {} {} {} {}",
            board.id,
            self.boot,
            self.scenario.channels.len(),
            self.period_ms,
            board.firmware
        );
        self.say(&hello, each);
        for index in 0..self.scenario.channels.len() {
            let c = &self.scenario.channels[index];
            let (quantity, unit) = c.measured.wire();
            let body = format!(
                "C {index} {quantity} {unit} {} {} {}",
                c.exp, c.place, c.sensor
            );
            self.say(&body, each);
        }
    }

    fn say(&mut self, body: &str, each: Each<'_>) {
        self.line.clear();
        self.line.extend_from_slice(body.as_bytes());
        self.send(LineKind::Other, each);
    }

    fn sample(&mut self, each: Each<'_>) {
        self.elapsed_ms += u64::from(self.period_ms);
        let room_c = self.world.room.air_c;
        let period_s = self.true_s(f64::from(self.period_ms));
        self.junction_c += (room_c + self.scenario.board.self_heating_k - self.junction_c)
            * (period_s / JUNCTION_LAG_S).min(1.0);
        let volts = self.world.take_rms(&mut self.currents);
        let jitter = self
            .dice
            .below(self.scenario.board.stamp_jitter_ms as usize + 1) as u32;
        let ms = self
            .ms_start
            .wrapping_add(self.elapsed_ms as u32)
            .wrapping_add(jitter);
        self.line.clear();
        self.line.extend_from_slice(b"S ");
        wire::integer(&mut self.line, i64::from(self.seq));
        self.line.push(b' ');
        wire::integer(&mut self.line, i64::from(ms));
        let view = View {
            world: &self.world,
            currents: &self.currents,
            volts,
            junction_c: self.junction_c,
            now_s: self.now_s,
            period_s,
        };
        for sensor in &mut self.sensors {
            self.line.push(b' ');
            match sensor.read(&view) {
                Value::Number(n) => wire::integer(&mut self.line, i64::from(n)),
                Value::Letter(letter) => self.line.push(letter),
            }
        }
        self.seq = self.seq.wrapping_add(1);
        if let Some(boot) = self.truth.boots.last_mut() {
            boot.samples += 1;
        }
        self.send(LineKind::Sample, each);
    }

    /// Sends the body in `self.line`, or drops a sample for which there is no room.
    fn send(&mut self, kind: LineKind, each: Each<'_>) {
        wire::finish(&mut self.line);
        let byte_s = BITS_A_BYTE / f64::from(self.scenario.board.baud);
        let waiting = ((self.line_free_s - self.now_s).max(0.0) / byte_s) as usize;
        let full = kind == LineKind::Sample && waiting > self.scenario.board.send_buffer_bytes;
        if self.mute || full {
            self.count(|b| b.unsent += u64::from(kind == LineKind::Sample));
            return;
        }
        self.line_free_s = self.line_free_s.max(self.now_s) + self.line.len() as f64 * byte_s;
        let damaged = self.damage_share > 0.0 && self.dice.chance(self.damage_share);
        if damaged {
            damage::spoil(&mut self.line, &mut self.dice);
        }
        self.count(|b| match (kind, damaged) {
            (LineKind::Sample, false) => b.sent += 1,
            (LineKind::Sample, true) => b.damaged += 1,
            (LineKind::Other, true) => b.damaged_others += 1,
            (LineKind::Other, false) => {}
        });
        each(Emission {
            at_s: self.line_free_s,
            line: &self.line,
        });
    }

    fn count(&mut self, with: impl FnOnce(&mut BootTruth)) {
        if let Some(boot) = self.truth.boots.last_mut() {
            with(boot);
        }
    }
}
