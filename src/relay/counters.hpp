// What a listener and its followers did since the relay started: a plain value, for logs and metrics.
#pragma once

#include <cstdint>

namespace nightwell::relay {

struct Counters {
  std::uint64_t connected = 0;  // now: past the handshake and served
  std::uint64_t accepted = 0;   // ever: connections that came
  std::uint64_t lines = 0;      // records sent
  std::uint64_t bytes = 0;      // of lines of either kind, without TLS

  // Refused before anything was sent, by reason.
  struct {
    std::uint64_t tls = 0;           // no TLS 1.3, no common protocol, plain text, a broken handshake
    std::uint64_t certificate = 0;   // none, expired, of another authority, self-signed
    std::uint64_t not_allowed = 0;   // of the authority, but not on the allow-list
    std::uint64_t too_slow = 0;      // handshake or request not there in time
    std::uint64_t full = 0;          // more followers than the configuration lets in
    std::uint64_t bad_request = 0;   // no request of the protocol, or of something that is not there
    std::uint64_t out_of_files = 0;  // times that accepting paused because the system gave no descriptor
  } refused;

  // Ended by the relay later, by reason.
  struct {
    std::uint64_t sent_more = 0;  // it sent something behind its request
    std::uint64_t stalled = 0;    // it took nothing for too long
    std::uint64_t expired = 0;    // its certificate ran out while it was connected
    std::uint64_t journal = 0;    // changed, damaged, or not to be read
  } dropped;
};

}  // namespace nightwell::relay
