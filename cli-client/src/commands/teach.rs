//! `tappet teach`: how a step of the check is done, why, and what goes wrong otherwise.

use serde_json::json;
use shared::teach::Lesson;
use shared::teach::cycle::Position;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `teach`.
#[derive(Debug, clap::Args)]
pub(crate) struct TeachArgs {
    /// top-dead-center (or tdc), leaf or lock-nut; none: all of them
    #[arg(value_name = "LESSON", value_parser = lesson)]
    lesson: Option<Lesson>,
    /// Of this machine's engine: its tag or id
    #[arg(long, value_name = "MACHINE")]
    machine: Option<String>,
}

/// From the exhaust stroke to past the place to check, as the work goes: degrees from top dead center of compression.
const ANGLES: [f64; 7] = [-450.0, -360.0, -270.0, -130.0, -60.0, 0.0, 30.0];

fn lesson(text: &str) -> Result<Lesson, String> {
    text.parse().map_err(|error: shared::teach::LessonError| error.to_string())
}

pub(crate) fn run(args: &TeachArgs, session: &Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = args.machine.as_deref().map(|given| session.machine(given)).transpose()?;
    let (wide, machines) = (render::width(session.env), session.book.machines());
    let (mut blocks, mut views, mut deference) = (Vec::new(), Vec::new(), "");
    for lesson in Lesson::ALL.into_iter().filter(|lesson| args.lesson.is_none_or(|asked| asked == *lesson)) {
        let view = machines.lesson(lesson, machine, session.unit)?;
        blocks.push(render::wrapped(view.title, wide));
        if view.moves {
            for degrees in ANGLES {
                let seen = machines.lesson_figure(lesson, machine, degrees)?.words;
                blocks.push(render::indented(&format!("{}: {seen}", from_the_top(degrees)), wide));
            }
        }
        for (n, point) in view.points.iter().enumerate() {
            let told = format!("{}\nWhy: {}\nOtherwise: {}", point.what, point.why, point.otherwise);
            blocks.push(format!("{}.\n{}", n + 1, render::indented(&told, wide)));
        }
        deference = view.deference;
        views.push(view);
    }
    blocks.push(render::wrapped(deference, wide));
    let positions: Vec<Position> = ANGLES.iter().map(|degrees| Position::at(*degrees, false)).collect();
    Outcome::new(&json!({ "lessons": views, "positions": positions }), blocks.join("\n"))
}

fn from_the_top(degrees: f64) -> String {
    match degrees {
        d if d < 0.0 => format!("{}° before", -d),
        d if d > 0.0 => format!("{d}° after"),
        _ => "0°".to_owned(),
    }
}
