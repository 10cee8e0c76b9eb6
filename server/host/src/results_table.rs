//! The table of results, for a device of the coach that asks for it.

use thole_piece::session::Viewer;
use thole_protocol::{
    ServerMsg,
    client_msg::TableQuestion,
    refusal::{Refusal, Why},
    results_table::results_table,
    server_msg::TablePart,
    standing::PieceView,
};

use crate::{
    host::{Host, refuse},
    limits::{EVENTS_BYTES, TABLE_ROWS_MAX},
    members::ConnId,
    outbound::{Outbound, say},
};

const TOO_LONG: &str = "This table is too long to be sent at once. Save one piece alone: thole coach --link LINK results --piece 1 \
                        --csv FILE; or have all of it written on the server's machine: thole-server replay --data FOLDER --session \
                        CODE --csv.";

impl Host {
    /// Tells it in parts no longer than other messages, so that nothing else waits long behind one.
    pub(crate) fn tell_table(&self, conn: ConnId, asked: TableQuestion, out: &mut dyn Outbound) {
        let TableQuestion { command, piece } = asked;
        if !self.members.coaches().any(|coach| coach == conn) {
            return;
        }
        let view = self.core.view(Viewer::Coach);
        let is_meant = |view: &PieceView| piece.is_none_or(|asked| asked == view.piece);
        let pieces: Vec<PieceView> = view.pieces.into_iter().filter(is_meant).collect();
        if pieces.is_empty() && piece.is_some() {
            let says = "There is no such piece in this session.".to_owned();
            return refuse(out, conn, Some(command), Refusal { why: Why::Unknown, says });
        }
        let results = pieces.iter().flat_map(|piece| &piece.results);
        if results.map(|result| 1 + result.splits.len()).sum::<usize>() > TABLE_ROWS_MAX {
            let says = TOO_LONG.to_owned();
            return refuse(out, conn, Some(command), Refusal { why: Why::Limit, says });
        }
        let table = results_table(&pieces, &view.athletes);
        let mut rest = table.as_str();
        while !rest.is_empty() {
            let (part, behind) = rest.split_at(rest.floor_char_boundary(EVENTS_BYTES));
            let csv = part.to_owned();
            say(out, conn, &ServerMsg::ResultsTable(TablePart { command, csv }));
            rest = behind;
        }
        say(out, conn, &ServerMsg::Done { command });
    }
}
