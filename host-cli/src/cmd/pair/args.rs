//! What can be typed after `seathold pair`.

use std::path::PathBuf;

use clap::Args;
use seathold_document::pdf::PageSize;

use crate::cmd::batch_common::BatchArg;
use crate::cmd::find::RegisterArg;

/// `seathold pair`.
#[derive(Debug, Args)]
pub struct PairArgs {
    /// Measured fittings: CSV with a name and one reading or several of each
    #[arg(value_name = "FITTINGS.csv")]
    pub fittings: PathBuf,
    /// What the valves are to be: how many bodies there are, all of one length
    #[arg(long, value_name = "N", required_unless_present_any = ["bodies_file", "keep"], help_heading = "The valves")]
    pub bodies: Option<usize>,
    /// Measured bodies instead, as fittings are
    #[arg(long, value_name = "FILE", conflicts_with_all = ["bodies", "body_length"], help_heading = "The valves")]
    pub bodies_file: Option<PathBuf>,
    /// Length of a body between the seats of its fittings, like "60.4 mm"
    #[arg(long, value_name = "LENGTH", required_unless_present = "bodies_file", help_heading = "The valves")]
    pub body_length: Option<String>,
    /// Finished length that is wanted, like "120 mm"
    #[arg(long, value_name = "LENGTH", help_heading = "The valves")]
    pub nominal: String,
    /// How far it may be off, like "0.5 mm"
    #[arg(long, value_name = "LENGTH", help_heading = "The valves")]
    pub tolerance: String,
    /// How far it may be shorter, where that is another
    #[arg(long, value_name = "LENGTH", help_heading = "The valves")]
    pub tolerance_below: Option<String>,
    /// By how much the seals give as a valve is bolted, both together
    #[arg(long, value_name = "LENGTH", default_value = "0 mm", help_heading = "The valves")]
    pub compression: String,
    /// Most that may be cut off two fittings, for what is said of those that are left over
    #[arg(long, value_name = "LENGTH", default_value = "2 mm", help_heading = "The valves")]
    pub cut_max: String,
    /// Standard uncertainty of the gauge, from its certificate: the same for every part measured with it
    #[arg(long, value_name = "LENGTH", help_heading = "How well that is known")]
    pub gauge_u: String,
    /// Standard deviation of one reading, without the step it is read by [default: from parts that were read more than once]
    #[arg(long, value_name = "LENGTH", help_heading = "How well that is known")]
    pub repeat_u: Option<String>,
    /// Standard uncertainty of a body's length, all of it: nothing is added for the gauge, and it is taken as having nothing in common
    /// with that of the fittings [default: of a measured body, as of a fitting, gauge included]
    #[arg(long, value_name = "LENGTH", help_heading = "How well that is known")]
    pub body_u: Option<String>,
    /// Standard uncertainty of the compression
    #[arg(long, value_name = "LENGTH", default_value = "0 mm", help_heading = "How well that is known")]
    pub compression_u: String,
    /// Most of the valves called conforming that may be outside their tolerance, on average
    #[arg(long, value_name = "RATIO", default_value = "1 %", help_heading = "How well that is known")]
    pub risk: String,
    /// Unit of readings that name none
    #[arg(long, value_name = "UNIT", default_value = "mm", help_heading = "How the list is read")]
    pub unit: String,
    /// Take lengths that are far from the others, and readings that contradict each other, as they are
    #[arg(long, help_heading = "How the list is read")]
    pub lengths_checked: bool,
    /// Width of a class, as parts are laid out [common practice: 0.1 mm]
    #[arg(long, value_name = "LENGTH", default_value = "0.1 mm", hide_default_value = true, help_heading = "Output")]
    pub class: String,
    /// Keep which fittings go to which valve of a batch: of its valves that are not bolted up, in the order of its list, or by the serial
    /// numbers in --bodies-file
    #[arg(long, conflicts_with = "bodies", help_heading = "The batch")]
    pub keep: bool,
    /// Who pairs them
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true,
          requires = "keep", help_heading = "The batch")]
    pub operator: String,
    #[command(flatten, next_help_heading = "The batch")]
    pub batch: BatchArg,
    #[command(flatten, next_help_heading = "The batch")]
    pub register: RegisterArg,
    /// Also a page for the bench, by its ending .html or .pdf: what lies in which class, and which goes with which, in the order of bolting
    #[arg(long, value_name = "FILE", value_parser = crate::cmd::page_file::page_file, help_heading = "Output")]
    pub page: Option<PathBuf>,
    /// Page size of a PDF: a4 or letter
    #[arg(long, value_parser = crate::cmd::page_file::page_size, value_name = "SIZE", default_value = "a4", help_heading = "Output")]
    pub page_size: PageSize,
    /// Replace a file that is there, even if it is no page made by seathold
    #[arg(long, requires = "page", help_heading = "Output")]
    pub force: bool,
    /// The result as a JSON object
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}
