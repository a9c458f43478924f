// The status page, for a supervisor's phone and desk.
//
// Pure: values in, text out; the same values give the same text. Text from outside (names, serials, reasons) is shown
// harmless: HTML escaped, control and bidirectional characters as escapes (journal/plain_text.hpp). States are told by words
// and shapes; there is no colour but ink and paper.
//
// The page is a shell around parts; each part is a piece of HTML with an id, so that a browser can swap one that has
// changed. Times stand in UTC; with scripts on, the reader's own stands beside it.
// Errors: unexpected (a template is wrong: a mistake of ours).
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "nightwell/result.hpp"
#include "relay/run_view.hpp"

namespace nightwell::relay {

struct Part {
  std::string id;
  std::string html;
};

// What is wrong or wanted first, then state, figures, course, plateaus, events, journal.
[[nodiscard]] Result<std::vector<Part>> run_parts(const RunView& run);

// The newest run of each bench, newest first, and the names of others.
[[nodiscard]] Result<Part> benches_part(const std::vector<RunView>& benches, const std::vector<std::string>& others);

// Stands first where the folder of the runs cannot be read; `why`: what the system says.
[[nodiscard]] Result<Part> folder_part(const std::string& why);

struct Shell {
  std::string title;
  std::string utc;     // the relay's clock: RFC 3339
  std::string events;  // where the browser gets its updates: an address on this server, already percent-encoded
};
[[nodiscard]] Result<std::string> page(const Shell& shell, const std::vector<Part>& parts);

// "settle, 2 of 6, bench cold room"
[[nodiscard]] std::string title(const RunView& run);

// The data of a `parts` event: {"utc": …, "order": [id, …], "parts": {id: html, …}}, one line. `order`: all parts that the page has
// now, as they stand; `parts`: those of them that have changed.
[[nodiscard]] std::string parts_json(std::string_view utc, const std::vector<std::string>& order,
                                     const std::vector<Part>& parts);

// The reference and the setpoint over the time since the opening, as SVG `width` units wide; "" without a reading. The line of the
// reference is broken where its readings lack for longer than five times the usual step between those that are drawn (the median),
// and than a fiftieth of the time drawn; a reading alone between two gaps is a dot.
[[nodiscard]] std::string course_plot(const Digest& digest, double width, double height);

}  // namespace nightwell::relay
