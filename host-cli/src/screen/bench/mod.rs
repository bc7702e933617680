//! The bench screen: a whole terminal, with what to do now in letters that are read from two metres.

mod curve;
mod draw;
mod headline;
mod terminal;
mod view;

use std::time::{Duration, Instant as WallTime};

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use seathold_recording::Header;
use seathold_recording::plain::shown;
use seathold_sequencer::event::Event;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Status;
use seathold_sequencer::time::Instant;
use seathold_text::messages::UnitFormat;

use self::terminal::BenchTerminal;
pub use self::view::ListedValve;
use self::view::{Asked, BenchView};
use super::Screen;
use crate::console::Console;
use crate::error::Error;
use crate::rig::OperatorQuestion;

/// Time between drawings; what is typed is seen at once.
const BETWEEN: Duration = Duration::from_millis(100);

/// The screen of one run.
#[derive(Debug)]
pub struct BenchScreen {
    view: BenchView,
    /// None where only the picture is asked for.
    terminal: Option<BenchTerminal>,
    drawn: Option<WallTime>,
    /// A bell at questions and verdicts.
    bell: bool,
}

impl BenchScreen {
    /// On the terminal that standard error is, from now on until the end of the run.
    ///
    /// # Errors
    /// When the terminal cannot be set so.
    pub fn open(units: UnitFormat, header: &Header, bell: bool) -> std::io::Result<Self> {
        Ok(Self { terminal: Some(BenchTerminal::open()?), ..Self::unopened(units, header, bell) })
    }

    /// Without a terminal, for its picture.
    pub fn unopened(units: UnitFormat, header: &Header, bell: bool) -> Self {
        Self { view: BenchView::new(units, header), terminal: None, drawn: None, bell }
    }

    /// With the valves of its batch at the side, where there is room.
    pub fn with_list(mut self, list: &[ListedValve]) -> Self {
        self.view.list = list.to_vec();
        self
    }

    /// What is on the screen now, at this size, as text.
    pub fn picture(&self, columns: u16, rows: u16) -> String {
        let area = Rect::new(0, 0, columns, rows);
        let mut buffer = Buffer::empty(area);
        draw::draw(&self.view, area, &mut buffer);
        let row = |row: u16| {
            let cells: String = (0..columns).map(|column| buffer[(column, row)].symbol()).collect();
            cells.replace('\u{2800}', " ").trim_end().to_owned() + "\n"
        };
        (0..rows).map(row).collect()
    }

    fn ring(&mut self) {
        if let (true, Some(terminal)) = (self.bell, &mut self.terminal) {
            terminal.ring();
        }
    }
}

impl Screen for BenchScreen {
    fn event(&mut self, _: &mut Console<'_>, at: Instant, event: &Event) -> Result<(), Error> {
        self.view.see(at, event);
        if matches!(event, Event::SideFinished(_) | Event::RunFinished { .. } | Event::Faulted(_)) {
            self.ring();
        }
        // A phase and a prompt are on top already, and stay there: to be reminded of one would only push the results away. Whether fittings
        // may be touched stands beside the pressure, as it is now: in the log it would stay after it has ceased to be so.
        let is_on_top =
            matches!(event, Event::Entered { .. } | Event::Prompted(_) | Event::Reminder(_) | Event::Disconnect(_));
        if let (Some(text), false) = (self.view.units.event(event), is_on_top) {
            self.view.say(&text);
        }
        Ok(())
    }

    fn say(&mut self, _: &mut Console<'_>, text: &str) -> Result<(), Error> {
        self.view.say(text);
        Ok(())
    }

    fn ask(
        &mut self,
        _: &mut Console<'_>,
        question: Option<OperatorQuestion>,
        _: &str,
        tag: Option<&str>,
    ) -> Result<(), Error> {
        self.view.asked = question.map(|question| Asked { question, tag: tag.map(|tag| shown(tag).into_owned()) });
        if self.view.asked.is_some() {
            self.ring();
        }
        Ok(())
    }

    fn reached(&mut self, reached: bool) {
        if self.view.reached && !reached {
            self.ring();
        }
        self.view.reached = reached;
    }

    fn poll(&mut self, record: &PollRecord, status: &Status) {
        self.view.poll(record, status);
    }

    fn turn(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        let typed = console.keys.typed();
        let changed = typed != self.view.typed;
        if changed {
            self.view.typed = typed.to_owned();
        }
        if let Some(terminal) = &mut self.terminal
            && (changed || self.drawn.is_none_or(|drawn| drawn.elapsed() >= BETWEEN))
        {
            self.drawn = Some(WallTime::now());
            terminal.draw(|area, buffer| draw::draw(&self.view, area, buffer))?;
        }
        Ok(())
    }

    fn end(&mut self) {
        self.terminal = None;
    }
}
