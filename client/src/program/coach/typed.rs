//! A typed line while leading: the order that it is, or what is wrong with it. The help comes from the same table as the
//! orders are read by.

use clap::{
    Arg, Command, CommandFactory, Parser,
    error::{ContextKind, ContextValue, Error, ErrorKind},
};

use super::action::Action;

/// Room for an order and what it takes, before what it does.
const ORDER_WIDTH: usize = 34;

/// One typed line.
#[derive(Parser)]
#[command(
    name = "",
    no_binary_name = true,
    disable_version_flag = true,
    disable_help_subcommand = true
)]
struct Typed {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand)]
pub(super) enum What {
    /// Lists the orders
    Help,
    /// Leaves; the session goes on
    Quit,
    /// Makes this device the one in command
    TakeCommand,
    #[command(flatten)]
    One(Action),
}

/// What a line says; `None` of an empty one.
///
/// # Errors
/// What is wrong with it and what to type, or the help that it asks for.
pub(super) fn read(line: &str) -> Result<Option<What>, String> {
    let words = words(line)?;
    if words.is_empty() {
        return Ok(None);
    }
    Typed::try_parse_from(words)
        .map(|typed| Some(typed.what))
        .map_err(|error| misread(line, &error))
}

/// All orders, a line each: what is typed, and what it does.
pub(super) fn help() -> String {
    let typed = Typed::command();
    let mut text = String::new();
    for order in typed.get_subcommands() {
        let about = order.get_about().map(ToString::to_string).unwrap_or_default();
        // The rest of the sentence is in the order's own help.
        let about = about.split([';', ':']).next().unwrap_or_default();
        text.push_str(&format!("  {:<ORDER_WIDTH$} {about}\n", usage(order)));
    }
    text.push_str(
        "Add --help to any of them for more: call --help says how to reach those behind alone.",
    );
    text
}

/// An order with what has to be typed behind it: `aim NAME TARGET`.
fn usage(order: &Command) -> String {
    let mut text = order.get_name().to_owned();
    for arg in order.get_positionals() {
        let name = arg_name(arg);
        text.push_str(&if arg.is_required_set() {
            format!(" {name}")
        } else {
            format!(" [{name}]")
        });
    }
    text
}

fn arg_name(arg: &Arg) -> String {
    let name = arg.get_value_names().and_then(|names| names.first());
    name.map_or_else(|| arg.get_id().to_string().to_uppercase(), ToString::to_string)
}

fn misread(line: &str, error: &Error) -> String {
    let says = error.to_string();
    let order = line.split_whitespace().next().unwrap_or_default();
    if matches!(error.kind(), ErrorKind::DisplayHelp) {
        return says.trim_end().to_owned();
    }
    if matches!(error.kind(), ErrorKind::InvalidSubcommand | ErrorKind::MissingSubcommand) {
        // The nearest comes last.
        let near = context(error, ContextKind::SuggestedSubcommand).pop();
        let near = near.map(|near| format!(" Did you mean {near}?")).unwrap_or_default();
        return format!("\"{order}\" is not an order; type help for the orders.{near}");
    }
    let typed = Typed::command();
    let missing = context(error, ContextKind::InvalidArg);
    if let (ErrorKind::MissingRequiredArgument, Some(of), false) =
        (error.kind(), typed.find_subcommand(order), missing.is_empty())
    {
        let missing = missing.join(" and ").replace(['<', '>', '.'], "");
        return format!("Missing: {missing}. Type {}; {order} --help says more.", usage(of));
    }
    let first = says.lines().next().unwrap_or_default();
    format!("{}; type {order} --help.", first.trim_start_matches("error: "))
}

fn context(error: &Error, kind: ContextKind) -> Vec<String> {
    if let Some(ContextValue::Strings(several)) = error.get(kind) {
        return several.clone();
    }
    if let Some(ContextValue::String(one)) = error.get(kind) { vec![one.clone()] } else { vec![] }
}

/// The words of a typed line; quotation marks keep words together.
fn words(line: &str) -> Result<Vec<String>, String> {
    let mut words = Vec::new();
    let mut word: Option<String> = None;
    let mut quote = None;
    for c in line.trim().chars() {
        match (c, quote) {
            (c, Some(q)) if c == q => quote = None,
            (c, Some(_)) => word.get_or_insert_default().push(c),
            ('"' | '\'', None) => {
                quote = Some(c);
                word.get_or_insert_default();
            }
            (c, None) if c.is_whitespace() => words.extend(word.take()),
            (c, None) => word.get_or_insert_default().push(c),
        }
    }
    if quote.is_some() {
        return Err("A quotation mark is not closed.".into());
    }
    words.extend(word);
    Ok(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotation_marks_hold_words_together() {
        let read = |line| words(line).unwrap().join("|");
        assert_eq!(read("call \"Sit tall\" --to 'Ida Fenn'"), "call|Sit tall|--to|Ida Fenn");
        assert_eq!(read("  arm "), "arm");
        assert_eq!(read("call ''"), "call|");
        assert!(words("call \"Sit").is_err());
    }

    #[test]
    fn typed_lines_are_the_orders_of_the_command_line() {
        let what = |line| read(line).map(|what| what.unwrap());
        assert!(matches!(what("arm"), Ok(What::One(Action::Arm))));
        assert!(matches!(what("false-start"), Ok(What::One(Action::FalseStart))));
        assert!(matches!(what("call Sit tall --strokes 10"), Ok(What::One(Action::Call(_)))));
        assert!(matches!(what("results --piece 2 --csv a.csv"), Ok(What::One(Action::Results(_)))));
        assert!(matches!(what("help"), Ok(What::Help)));
        assert!(matches!(read("  "), Ok(None)));
    }

    #[test]
    fn what_is_wrong_with_a_line_is_said_with_what_to_type() {
        for (line, says) in [
            ("row faster", "\"row\" is not an order; type help for the orders."),
            ("next-pice", "Did you mean next-piece?"),
            ("aim Bo", "Missing: TARGET. Type aim NAME TARGET;"),
            ("correct Bo", "Missing: RESULT and REASON. Type correct NAME RESULT REASON;"),
            ("undo", "Missing: NUMBER. Type undo NUMBER;"),
            ("prepare-nothing", "is not an order"),
            ("results --piece x", "type results --help."),
            ("call \"Sit", "A quotation mark is not closed."),
        ] {
            let told = read(line).err().unwrap_or_else(|| panic!("{line} was understood"));
            assert!(told.contains(says), "{line}: {told}");
        }
        assert!(read("aim --help").err().unwrap().contains("fast_start"));
    }

    #[test]
    fn the_help_has_every_order_that_is_read() {
        let help = help();
        let typed = Typed::command();
        for order in typed.get_subcommands() {
            let of =
                help.lines().find(|line| line.split_whitespace().next() == Some(order.get_name()));
            let of = of.unwrap_or_else(|| panic!("{} is not in the help", order.get_name()));
            assert!(of.len() > ORDER_WIDTH + 3, "{of} does not say what it does");
        }
        for order in ["new-link NAME ", "new-board-link ", "prepare [CALLS] ", "undo NUMBER "] {
            assert!(help.contains(order), "{order}: {help}");
        }
    }
}
