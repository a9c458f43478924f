// The folder of a relay: what `nightwell keys relay` makes, `keys follower` and `keys remove` change, and nightwell-relay reads.
//
//   relay.json      the relay's configuration (docs/relay.md)
//   authority.pem   and authority.key: the lab's own authority. Only the commands here need the key; the relay does not
//   relay.pem       and relay.key: the relay's certificate
//
// Keys have mode 0600, the folder 0700. Nothing is overwritten but relay.json (and relay.pem, where it is renewed), and these are
// replaced whole. One program at a time changes a folder.
// Errors: bad_input (a name, a host, a file that is there or is not as it should be), not_found, storage.
#pragma once

#include <ctime>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "remote/certificates.hpp"
#include "remote/follower_file.hpp"

namespace nightwell::cli {

struct NewRelay {
  std::filesystem::path folder, state;
  std::vector<std::string> hosts;  // what followers connect to
  std::string listen;              // ADDR:PORT; empty: the first host's address and the usual port, where it is one
  int authority_days = remote::authority_days, relay_days = remote::issued_days;
};
// Gives where it listens.
Result<std::string> make_relay_folder(const NewRelay& wish, std::time_t now);

// A new relay.pem for the same key; `hosts` empty: those of the old one. Gives the new certificate's facts.
Result<remote::CertificateFacts> renew_relay(const std::filesystem::path& folder, std::vector<std::string> hosts,
                                             std::time_t now, int days);

struct NewFollower {
  std::filesystem::path folder;
  std::string name;  // letters, digits, '.', '_', '-', at most 60, not beginning with a dot; also the file's
  std::string at;    // HOST:PORT to connect to; empty: the relay's first host, and the port it listens on
  bool browser = false;
  int days = remote::issued_days;
};
struct MadeFollower {
  std::filesystem::path file, browser_file;  // the second is empty where it was not asked for
  std::string password;                      // of the second
  remote::Address relay;
  remote::CertificateFacts facts;
};
Result<MadeFollower> add_follower(const NewFollower& wish, std::time_t now);

struct RemovedFollower {
  std::string key;
  std::size_t left = 0;  // how many are still on the list
};
// Takes a name from the allow-list.
Result<RemovedFollower> remove_follower(const std::filesystem::path& folder, const std::string& name);

}  // namespace nightwell::cli
