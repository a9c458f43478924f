// The relay as a whole: listens, gives away what it does not need, and serves until it is told to end (SIGTERM, SIGINT, SIGHUP).
#pragma once

#include "nightwell/result.hpp"
#include "relay/config.hpp"

namespace nightwell::relay {

// Errors, all before anybody is served: bad_input, not_found, storage (a file of the configuration, the runs folder, too few files
// allowed); refused (the key's mode, the address is taken); unexpected (the kernel refuses the sandbox that it has).
Result<void> serve(const Config& config);

}  // namespace nightwell::relay
