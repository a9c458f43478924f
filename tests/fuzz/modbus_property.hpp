// What holds for a Modbus source whatever bytes come back: in memory, on virtual time, through the whole engine.
#pragma once

#include <string>
#include <string_view>

namespace nightwell::tests {

// Calls a source as a guardian would, against a line that `input` plays: its first byte chooses RTU or TCP, then each
// request is answered as the next bytes say (nothing, the true reply, it bent at a place, or bytes of the input). Gives
// what is wrong, or nothing (the empty string):
//   a temperature that is not finite; a setting that was sent twice; heat that was commanded though the identity was never
//   proved; "off" that did not go out; a call that took longer than its bound.
[[nodiscard]] std::string complaint_about_conversation(std::string_view input);

// The same of frames alone: what is taken for a reply to a read is as long as it says it is.
[[nodiscard]] std::string complaint_about_frame(std::string_view input);

// A fuzzer's input: the first byte chooses one of the two, the rest plays.
[[nodiscard]] std::string complaint_about_modbus_input(std::string_view input);

}  // namespace nightwell::tests
