//! `seathold batch order`: what a customer's document is to say of a batch or a valve beside its tests.

use clap::Args;
use seathold_recording::plain::shown;
use seathold_register::customer::{
    order::{OrderDetails, OrderField},
    order_notes::BatchOrder,
};
use seathold_register::{Access, Register};
use seathold_text::layout::line;

use super::batch_common::{BatchArg, not_listed, refused};
use super::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold batch order`.
#[derive(Debug, Args)]
pub struct OrderArgs {
    /// Only of these valves [default: of the batch as a whole]
    #[arg(value_name = "SERIAL")]
    pub serials: Vec<String>,
    #[command(flatten)]
    pub details: OrderDetailArgs,
    /// Who says so
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub operator: Option<String>,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// What a customer's document is to say of a batch or of valves.
#[derive(Debug, Args)]
pub struct OrderDetailArgs {
    /// For whom; of any of these, "" takes back what was stated
    #[arg(long, value_name = "TEXT")]
    pub customer: Option<String>,
    /// The customer's order
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// Its line
    #[arg(long, value_name = "TEXT")]
    pub line: Option<String>,
    /// Drawing or type
    #[arg(long, value_name = "TEXT")]
    pub drawing: Option<String>,
    /// Material
    #[arg(long, value_name = "TEXT")]
    pub material: Option<String>,
    /// Heat number: the melt that the material is of
    #[arg(long, value_name = "TEXT")]
    pub heat: Option<String>,
    /// Procedure, with its revision
    #[arg(long, value_name = "TEXT")]
    pub procedure: Option<String>,
    /// A remark that the customer is to read
    #[arg(long, value_name = "TEXT")]
    pub remark: Option<String>,
}

impl OrderDetailArgs {
    /// What was given.
    pub(super) fn details(&self) -> OrderDetails {
        let text = |field: OrderField| match field {
            OrderField::Customer => &self.customer,
            OrderField::Order => &self.order,
            OrderField::Line => &self.line,
            OrderField::Drawing => &self.drawing,
            OrderField::Material => &self.material,
            OrderField::Heat => &self.heat,
            OrderField::Procedure => &self.procedure,
            OrderField::Remark => &self.remark,
        };
        OrderField::ALL.into_iter().filter_map(|field| Some((field, text(field).clone()?.trim().to_owned()))).collect()
    }
}

pub(super) fn run(args: &OrderArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let details = args.details.details();
    let access = if details.is_empty() { Access::Read } else { Access::Write };
    let mut register = Register::open(&args.register.register, access)?;
    let batch = args.batch.any(&register)?;
    let valves = register.valves_of(&batch.batch)?;
    if let Some(serial) = args.serials.iter().find(|serial| valves.iter().all(|valve| valve.serial != **serial)) {
        let list = valves.iter().map(|valve| valve.serial.as_str());
        return Err(refused(&register, not_listed(serial, &batch, list)));
    }
    if !details.is_empty() {
        let Some(operator) = &args.operator else {
            return Err(Error::usage("who says so? Give --operator"));
        };
        let by = (operator.as_str(), console.date()?);
        let of: Vec<Option<&str>> = match args.serials.as_slice() {
            [] => vec![None],
            several => several.iter().map(|serial| Some(serial.as_str())).collect(),
        };
        for serial in of {
            register.state_order(&details, (&batch.batch, serial), by)?;
        }
    }
    let order = BatchOrder::of(&register, &batch.batch)?;
    let mut text = format!("batch {}\n", batch.name);
    detail_lines(&mut text, &order.batch());
    let own: Vec<&str> = match args.serials.as_slice() {
        [] => order.valves().collect(),
        several => several.iter().map(String::as_str).collect(),
    };
    for serial in own {
        text.push_str(&format!("valve {serial}\n"));
        detail_lines(&mut text, &order.valve(serial));
    }
    for what in &order.altered {
        line(&mut text, "ALTERED", what);
    }
    for printed in text.lines() {
        writeln!(console.out, "{}", shown(printed))?;
    }
    Ok(if order.altered.is_empty() { Exit::Good } else { Exit::Storage })
}

fn detail_lines(text: &mut String, details: &OrderDetails) {
    if details.is_empty() {
        line(text, "order", "nothing stated");
    }
    for (field, value) in details {
        line(text, &field.words().to_lowercase(), value);
    }
}
