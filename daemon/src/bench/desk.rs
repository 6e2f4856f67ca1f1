//! The conversation with the person at the bench: shows where the test stands, takes what he types, hands it to the record.

use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result};
use nightclamp_analysis::bench::{Act, CAUTIONS, Guidance, Step, WHO};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_protocol::BoardId;
use nightclamp_web::bench::{BenchTest, Invented, Stand};
use nightclamp_web::hand::{Hand, Said};

use super::keyboard::Keyboard;
use super::panel::{self, Shows};
use super::simulated::Simulation;
use super::talk::{Talk, Typed, help};
use crate::hands::Hands;
use crate::recorder::Within;
use crate::recording::Until;
use crate::say;

/// The panel is drawn this often at least.
const DRAW_EVERY: Duration = Duration::from_millis(500);
/// Said where the page was opened: it would be gone with the program.
const LINGERS: &str = "The test is over. The page goes on showing what came of it, and the recording goes on: done ends both, as does Ctrl-C.";

/// The desk at the bench.
pub struct Desk {
    board: BoardId,
    scale: TemperatureScale,
    talk: Talk,
    simulation: Option<Arc<Simulation>>,
    /// There is a terminal to draw on.
    draws: bool,
    /// What was said last, where nothing is drawn.
    said: Option<(Step, Option<String>)>,
    /// It is over, but a page shows what came of it: the recording goes on until somebody ends it.
    lingers: bool,
    /// Somebody has.
    is_ended: bool,
}

impl Desk {
    /// A desk for the test that `job` plans.
    ///
    /// # Errors
    /// The job has no compressor.
    pub fn new(job: &Job, simulation: Option<Arc<Simulation>>) -> Result<Self> {
        let unit = job.units.first().context("the plan has no [[unit]]")?;
        Ok(Self {
            board: unit.board,
            scale: job.temperature,
            talk: Talk {
                unit: unit.name.clone(),
                by: None,
                is_simulated: simulation.is_some(),
            },
            simulation,
            draws: std::io::stderr().is_terminal(),
            said: None,
            lingers: false,
            is_ended: false,
        })
    }

    /// Guides the person until the test is over, or `stop` comes back. With nobody there it goes on.
    pub async fn guide(mut self, mut within: Within, typed: &mut Keyboard, mut stop: Until<'_>) {
        if self.draws {
            write(&panel::room());
        }
        self.caution();
        let mut tick = tokio::time::interval(DRAW_EVERY);
        loop {
            tokio::select! {
                () = &mut stop => break,
                line = typed.next() => {
                    let stand = within.told.stand.borrow().clone();
                    self.take(&line, stand.as_deref(), &within.hands);
                }
                told = within.told.stand.changed() => if told.is_err() { break },
                _ = tick.tick() => {}
            }
            let stand = within.told.stand.borrow_and_update().clone();
            self.show(stand.as_deref());
            let is_over = stand.as_deref().is_some_and(Stand::is_over);
            let is_watched = within.test.as_ref().is_some_and(BenchTest::was_opened);
            if is_over && (self.is_ended || !is_watched) {
                break;
            }
            if is_over && !self.lingers {
                self.lingers = true;
                say::to_people(LINGERS);
            }
        }
        if self.draws {
            write(&panel::no_room());
        }
    }

    /// The cautions, before anything else.
    fn caution(&self) {
        say::to_people(&format!("\n{WHO}\n"));
        for (at, caution) in CAUTIONS.iter().enumerate() {
            say::to_people(&format!("{:>2}. {} {}", at + 1, caution.head, caution.text));
        }
        say::to_people(
            "\nType your name to say that you have read all of them and keep to them (help lists what else can be typed).\n",
        );
    }

    fn take(&mut self, line: &str, stand: Option<&Stand>, hands: &Arc<Hands>) {
        if line.trim().eq_ignore_ascii_case("help") {
            return say::to_people(&help());
        }
        if self.lingers && line.trim().eq_ignore_ascii_case(Act::Done.as_str()) {
            self.is_ended = true;
            return;
        }
        let Some(stand) = stand else {
            return say::to_people("The board has not spoken yet: nothing was taken down.");
        };
        if self.talk.by.is_none() {
            self.talk.by.clone_from(&stand.by);
        }
        match self.talk.typed(line, &stand.guidance) {
            Typed::Nothing => {}
            Typed::Name(name) => {
                say::to_people(&format!("At the bench: {name}"));
                self.talk.by = Some(name);
            }
            Typed::Switch(on) => {
                if let Some(simulation) = &self.simulation {
                    simulation.switch(on);
                    say::to_people(if on {
                        "Your switch is on."
                    } else {
                        "Your switch is off."
                    });
                }
            }
            Typed::Not(why) => say::to_people(&format!("{why}.")),
            Typed::Said(said) => self.note(said, hands),
        }
    }

    /// Has it written, and says when that is safe; the panel goes on meanwhile.
    fn note(&self, said: Said, hands: &Arc<Hands>) {
        let (hands, board, text) = (hands.clone(), self.board, said.note());
        tokio::spawn(async move {
            match hands.note(board, said).await {
                Ok(_) => say::to_people(&format!("In the record: {text}")),
                Err(refused) => say::to_people(&format!("Not in the record: {refused}")),
            }
        });
    }

    fn show(&mut self, stand: Option<&Stand>) {
        let danger = stand.and_then(Stand::danger);
        if self.draws {
            let shows = Shows {
                stand,
                columns: columns(),
                scale: self.scale,
                is_simulated: self.talk.is_simulated,
            };
            write(&panel::drawn(&panel::rows(&shows), danger.is_some()));
        }
        let Some(now) = stand.map(|stand| &stand.guidance) else {
            return;
        };
        // The seconds in a danger count up; that it is in force is said once.
        let begins = danger
            .as_deref()
            .map(|text| text.chars().take(12).collect());
        let here = Some((now.step, begins));
        if self.said == here {
            return;
        }
        if self.said.as_ref().is_none_or(|(step, _)| *step != now.step) {
            self.step(now);
        }
        if let Some(danger) = danger {
            say::to_people(&format!("DANGER: {danger}"));
        }
        self.said = here;
    }

    /// A step has begun.
    fn step(&self, now: &Guidance) {
        say::to_people(&format!("[{}] {}", now.step.as_str(), now.line));
        if let (Some(what), Some(simulation)) = (now.asks, &self.simulation) {
            say::to_people(&format!(
                "SIMULATED: the ohmmeter shows {} ({})",
                simulation.meter(),
                what.words()
            ));
        }
    }
}

/// Columns of the terminal: it may have been made wider or narrower since.
fn columns() -> usize {
    let size = terminal_size::terminal_size_of(std::io::stderr());
    size.map_or(0, |(width, _)| usize::from(width.0))
}

/// Commands for the terminal, all of them ours.
fn write(commands: &str) {
    let mut terminal = std::io::stderr().lock();
    terminal
        .write_all(commands.as_bytes())
        .and_then(|()| terminal.flush())
        .unwrap_or_default();
}
