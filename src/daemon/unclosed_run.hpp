// What is known of the heat that a run left behind which nothing closed, or which was closed before its park was proved.
//
// When the daemon dies, its guardians switch their sources off and write in `guardian-SOURCE.log` what they read back. But what
// kills the computer, or every process of a service, kills the guardians too, and then a source goes on with its last setpoint.
// So the daemon that finds such a run says of each source what those logs prove, and no more, and has another guardian switch off
// what was not seen off (left_heat.hpp).
#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

namespace nightwell::daemon {

enum class LastSeen {
  off,         // its guardian read back that it was parked, and told it nothing after that
  never_told,  // no guardian told it anything, and no command for it is in the journal
  not_off,     // it was told something, and not seen off since; or there is no log that says
  guarded,     // the same, but its guardian is still at work
  taken_over,  // the same, but a later run had it
  attended,    // no wire reaches it: whoever turned it on must turn it off
};

struct LeftSource {
  std::string name;
  LastSeen seen = LastSeen::not_off;
  bool relieved = false;  // another guardian switches it off
};

// The end of a guardian's log (guardian/log.hpp). Of a log that cannot be understood: not_off.
[[nodiscard]] LastSeen last_seen(std::string_view guardian_log);
[[nodiscard]] LastSeen last_seen_in(const std::filesystem::path& guardian_log);

// The sources of the run in `folder`, by its journal's record `plan`, or where that cannot be read by the logs that are there.
// (No instrument is asked anything before the plan is on disk.)
[[nodiscard]] std::vector<LeftSource> sources_left(const std::filesystem::path& folder);

// Whether somebody must go and look: a source not seen off, or an attended one.
[[nodiscard]] bool may_heat(const std::vector<LeftSource>& sources);

// Whether a source that the run could switch on was not seen off.
[[nodiscard]] bool any_unproved(const std::vector<LeftSource>& sources);

// For the log and for hooks, in one line: of a run that nothing closed, and of one that was closed as parked before that was proved.
[[nodiscard]] std::string unproved_text(const std::vector<LeftSource>& sources);
[[nodiscard]] std::string unclosed_text(const std::vector<LeftSource>& sources);

}  // namespace nightwell::daemon
