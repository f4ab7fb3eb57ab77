//! `tappet reckon warm`: what a valve read on a warm engine may be when cold. Never a verdict.

use shared::entry;
use shared::sensible::TRAIN_PART;
use shared::thermal::{Head, Material, Part, Train};

use super::material;
use super::no_answer;
use super::reading::{Asked, ReadingArgs};
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::session::Session;

/// Arguments of `reckon warm`.
#[derive(Debug, clap::Args)]
#[command(after_help = material::HELP)]
pub(crate) struct WarmArgs {
    #[command(flatten)]
    reading: ReadingArgs,
    /// Barrel and head, from where the cam followers run to the rocker's pivot
    #[arg(long, value_name = "L")]
    barrel: String,
    /// The push rod
    #[arg(long, value_name = "L")]
    rod: String,
    /// The valve stem, from the valve's seat to its tip
    #[arg(long, value_name = "L")]
    stem: String,
    /// What barrel and head are made of
    #[arg(long, value_name = "M", value_parser = str::parse::<Material>)]
    barrel_material: Material,
    /// What the push rod is made of
    #[arg(long, value_name = "M", value_parser = str::parse::<Material>)]
    rod_material: Material,
    /// What the valve stem is made of
    #[arg(long, value_name = "M", value_parser = str::parse::<Material>)]
    stem_material: Material,
    /// What the head beside the stem is made of [that of barrel and head]
    #[arg(long, value_name = "M", value_parser = str::parse::<Material>)]
    head_material: Option<Material>,
    /// Rocker ratio, valve-side arm over push-rod-side arm, as in 1.3 [the engine card's, where it names one]
    #[arg(long, value_parser = entry::ratio_milli)]
    ratio: Option<u32>,
    /// How much warmer than cold barrel and head are, in degrees Celsius
    #[arg(long, value_name = "C", value_parser = parse::warmer_tenth_c, allow_negative_numbers = true)]
    barrel_warmer: i32,
    /// How much warmer than cold the push rod is, in degrees Celsius
    #[arg(long, value_name = "C", value_parser = parse::warmer_tenth_c, allow_negative_numbers = true)]
    rod_warmer: i32,
    /// How much warmer than cold the valve stem is, in degrees Celsius; an exhaust stem is often much hotter than the head
    #[arg(long, value_name = "C", value_parser = parse::warmer_tenth_c, allow_negative_numbers = true)]
    stem_warmer: i32,
    /// How much warmer than cold the head beside the stem is, in degrees Celsius [as barrel and head]
    #[arg(long, value_name = "C", value_parser = parse::warmer_tenth_c, allow_negative_numbers = true)]
    head_warmer: Option<i32>,
}

pub(super) fn run(args: &WarmArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let asked = args.reading.asked(session)?;
    let mut part = |length: &str, material: &Material, warmer_tenth_c| -> Result<Part, Failure> {
        Ok(Part { length: session.length(length, &TRAIN_PART)?, material: material.clone(), warmer_tenth_c })
    };
    let stack = part(&args.barrel, &args.barrel_material, args.barrel_warmer)?;
    let rod = part(&args.rod, &args.rod_material, args.rod_warmer)?;
    let stem = part(&args.stem, &args.stem_material, args.stem_warmer)?;
    let head = Head::of(&stack, args.head_material.clone(), args.head_warmer);
    let ratio_milli = args.ratio.map_or_else(|| ratio_of_card(&asked, session), Ok)?;
    let train = Train { stack, rod, stem, head, ratio_milli };
    let reckoned = session.book.reckoner().warm_of(asked.machine, asked.valve, asked.stage, &train, session.unit)?;
    asked.named(super::answer(&reckoned, "", session)?, session)
}

fn ratio_of_card(asked: &Asked, session: &mut Session<'_, '_>) -> Result<u32, Failure> {
    let now = session.env.now();
    let card = session.book.machines().machine_view(asked.machine, session.unit, &now)?.engine_card;
    let adjuster = card.and_then(|card| card.adjuster);
    adjuster.map(|adjuster| adjuster.ratio_milli).ok_or_else(|| {
        no_answer("no engine card names this machine's rocker ratio: give it with --ratio, valve-side arm over push-rod-side arm")
    })
}
