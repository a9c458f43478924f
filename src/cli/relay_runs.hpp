// `nightwell runs --relay`: the runs that a relay serves.
#pragma once

#include <string>

#include "cli/context.hpp"

namespace nightwell::cli {

// `file`: the follower's; `at`: HOST:PORT instead of the address in it, or empty.
void list_relay_runs(Context& context, const std::string& file, const std::string& at, bool as_json);

}  // namespace nightwell::cli
