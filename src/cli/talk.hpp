// A conversation between a person, or a script, and one instrument: lines from standard input go out as they are, what
// comes back is shown as text that cannot do anything to a terminal.
//
// On a terminal: line editing and history, and what the instrument says appears whenever it comes. Otherwise: a line is sent,
// its answer is waited for, then the next; at the end of the input the conversation ends.
#pragma once

#include <memory>
#include <string>

#include "instrument/scanner.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

struct TalkSettings {
  instrument::ConnectionSettings connection;  // port; reply: how long a script waits for an answer; recorder
  std::string command_end = "\n", reply_end = "\n";
  bool hex = false;
  bool times = false;  // before every line: the host's time
};

// Until the input ends, the line goes, or the program is asked to end. Errors: those of opening a port; port_gone where the
// line went; bad_input where a line of a script cannot be sent (an escape that is none).
[[nodiscard]] Result<void> talk(const TalkSettings& settings);

}  // namespace nightwell::cli
