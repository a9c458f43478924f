// The last line of a journal: signed, unsigned or broken, and no byte of it or of anything before it changes unseen.

#include <sys/stat.h>
#include <sys/wait.h>

#include <cstdlib>

#include "journal/seal.hpp"
#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

// The small journal in the format that has seals; longer by `more` sweeps.
void write_sealed_journal(const std::filesystem::path& path, const SigningKey* key, int more = 0) {
  auto writer = Writer::create(path);
  REQUIRE(writer);
  int seconds = 0;
  const auto append = [&](const char* kind, const nlohmann::ordered_json& fields) {
    REQUIRE((*writer).append(kind, fields, stamp(seconds++)));
  };
  append("opening", {{"format", "nightwell-journal/2"}, {"run", "cold-store-0301"}});
  append("card", {{"channel", 0}, {"serial", "SB-P-01"}, {"u95_k", 0.012}});
  for (int sweep = 0; sweep < 2 + more; ++sweep)
    append("sweep", {{"sweep", sweep}, {"at_s", {0.0, 0.25}}, {"raw", {100.390512 + sweep * 1e-4, nullptr}}});
  append("closing", {{"ending", "finished"}, {"why", ""}});
  REQUIRE((*writer).seal(key));
  REQUIRE((*writer).sync());
}

SigningKey new_key(const Folder& folder, const std::string& name = "seal") {
  auto key = SigningKey::make(folder / name);
  REQUIRE(key);
  return std::move(key).value();
}

int shell(const std::string& command) {
  return WEXITSTATUS(std::system((command + " >/dev/null 2>&1").c_str()));
}

}  // namespace

TEST_CASE("a sealed journal names its key, and an unsealed one says so") {
  Folder folder;
  const SigningKey key = new_key(folder);
  write_sealed_journal(folder / "sealed", &key);
  write_sealed_journal(folder / "unsealed", nullptr);
  const auto sealed = verify(folder / "sealed"), unsealed = verify(folder / "unsealed");
  REQUIRE(sealed);
  REQUIRE(unsealed);
  CHECK(sealed->whole());
  CHECK(unsealed->whole());
  CHECK(sealed->seal->key == key.public_key());
  CHECK(unsealed->seal);
  CHECK_FALSE(unsealed->seal->key);
  CHECK(read_public_key(folder / "seal.pub").value() == key.public_key());
  CHECK(read_public_key(folder / "seal").value() == key.public_key());
  CHECK(SigningKey::read(folder / "seal")->public_key() == key.public_key());
}

// The signature is checked by another program: OpenSSL's command line.
TEST_CASE("anyone can check a seal without this program") {
  Folder folder;
  const SigningKey key = new_key(folder);
  write_sealed_journal(folder / "j", &key);
  const std::string line = lines_of(bytes_of(folder / "j")).back();
  const std::string before = R"("signature":")";
  const std::size_t at = line.find(before) + before.size();
  write_bytes(folder / "message", line.substr(0, at) + line.substr(at + 128));
  std::string signature;
  for (std::size_t i = 0; i < 128; i += 2)
    signature += static_cast<char>(std::stoi(line.substr(at + i, 2), nullptr, 16));
  write_bytes(folder / "signature", signature);
  const std::string in = "cd '" + (folder / "").string() + "' && ";
  const std::string check = "openssl pkeyutl -verify -rawin -pubin -inkey seal.pub -sigfile signature -in ";
  CHECK(shell(in + check + "message") == 0);
  write_bytes(folder / "other", "{" + line);
  CHECK(shell(in + check + "other") != 0);
}

TEST_CASE("every bit of a closed journal counts, sealed or not") {
  Folder folder;
  const SigningKey key = new_key(folder);
  for (const SigningKey* by : {static_cast<const SigningKey*>(nullptr), &key}) {
    write_sealed_journal(folder / "good", by, 3);
    const std::string good = bytes_of(folder / "good");
    for (std::size_t at = 0; at < good.size(); ++at)
      for (int bit = 0; bit < 8; ++bit) {
        std::string bad = good;
        bad[at] = static_cast<char>(bad[at] ^ (1 << bit));
        write_bytes(folder / "bad", bad);
        const auto verified = verify(folder / "bad");
        INFO("byte " << at << ", bit " << bit << (by ? ", sealed" : ", unsealed"));
        if (at + 1 == good.size()) {  // without its LF the seal is an unfinished line
          REQUIRE(verified);
          CHECK_FALSE(verified->whole());
          continue;
        }
        REQUIRE_FALSE(verified);
        CHECK(verified.error().code == Errc::damaged);
        // Found in its line, or by the next line's prev.
        const auto line = std::count(good.begin(), good.begin() + static_cast<long>(at), '\n') + 1;
        const std::string& detail = verified.error().detail;
        const bool located = detail.rfind("line " + std::to_string(line) + " ", 0) == 0 ||
                             detail.rfind("line " + std::to_string(line + 1) + " ", 0) == 0;
        INFO(detail);
        CHECK(located);
      }
    std::filesystem::remove(folder / "good");
  }
}

TEST_CASE("tampering with the end of a closed journal shows") {
  Folder folder;
  const SigningKey key = new_key(folder), other = new_key(folder, "other");
  write_sealed_journal(folder / "good", &key);
  write_sealed_journal(folder / "foreign", &other);
  write_sealed_journal(folder / "unsigned", nullptr);
  const auto good = lines_of(bytes_of(folder / "good"));
  const auto check = [&](const char* what, const std::vector<std::string>& lines, bool damaged) {
    INFO(what);
    write_bytes(folder / "bad", joined(lines));
    const auto verified = verify(folder / "bad");
    CHECK(verified.ok() != damaged);
    if (verified) CHECK_FALSE(verified->whole());
  };
  auto lines = good;
  lines.pop_back();
  check("the seal cut off", lines, false);
  lines.pop_back();
  check("closing and seal cut off", lines, false);
  lines = good;
  lines.push_back(lines.back());
  check("the seal repeated", lines, true);
  lines = good;
  std::swap(lines[lines.size() - 1], lines[lines.size() - 2]);
  check("closing and seal swapped", lines, true);
  lines = good;
  for (const auto& line : lines_of(bytes_of(folder / "foreign"))) lines.push_back(line);
  check("two journals joined", lines, true);
  // Same lines before it, so its prev fits: the signature is another key's, and that shows in the key that it names.
  lines = good;
  lines.back() = lines_of(bytes_of(folder / "foreign")).back();
  write_bytes(folder / "bad", joined(lines));
  REQUIRE(verify(folder / "bad"));
  CHECK(verify(folder / "bad")->seal->key == other.public_key());
  // A signature under a key that did not make it.
  std::string line = good.back();
  line.replace(line.find(key.public_key()), 64, other.public_key());
  lines.back() = line;
  check("the key's name changed", lines, true);
}

TEST_CASE("a seal stands in one place only") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  CHECK((*writer).seal(nullptr).error().code == Errc::bad_input);
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/2"}}, stamp(0)));
  CHECK((*writer).append("seal", {{"algorithm", "none"}}, stamp(1)).error().code == Errc::bad_input);
  CHECK((*writer).seal(nullptr).error().code == Errc::bad_input);
  REQUIRE((*writer).append("closing", {{"ending", "finished"}}, stamp(1)));
  REQUIRE((*writer).seal(nullptr));
  CHECK((*writer).seal(nullptr).error().code == Errc::bad_input);
}

TEST_CASE("keys are made once, kept from others, and told apart from what is no key") {
  Folder folder;
  const ::mode_t before = ::umask(0);
  (void)new_key(folder);
  ::umask(before);
  struct stat facts {};
  REQUIRE(::stat((folder / "seal").c_str(), &facts) == 0);
  CHECK((facts.st_mode & 0777) == 0600);
  CHECK(SigningKey::make(folder / "seal").error().code == Errc::storage);
  write_bytes(folder / "only.pub", "");
  CHECK(SigningKey::make(folder / "only").error().code == Errc::storage);
  CHECK_FALSE(std::filesystem::exists(folder / "only"));  // no half of a pair

  REQUIRE(::chmod((folder / "seal").c_str(), 0640) == 0);
  CHECK(SigningKey::read(folder / "seal").error().code == Errc::refused);
  CHECK(SigningKey::read(folder / "seal").error().detail.find("chmod 600") != std::string::npos);
  CHECK(SigningKey::read(folder / "none").error().code == Errc::not_found);
  CHECK(SigningKey::read(folder / "").error().code == Errc::bad_input);
  write_bytes(folder / "text", "hello");
  REQUIRE(::chmod((folder / "text").c_str(), 0600) == 0);
  CHECK(SigningKey::read(folder / "text").error().code == Errc::bad_input);
  CHECK(read_public_key(folder / "text").error().code == Errc::bad_input);
  // A key of another kind.
  const std::string in = "cd '" + (folder / "").string() + "' && ";
  REQUIRE(shell(in + "openssl genpkey -algorithm X25519 -out x25519 && chmod 600 x25519") == 0);
  CHECK(SigningKey::read(folder / "x25519").error().code == Errc::bad_input);
  CHECK(read_public_key(folder / "x25519").error().code == Errc::bad_input);
}

TEST_CASE("a journal of the first format ends with its closing record, as ever") {
  Folder folder;
  write_small_journal(folder / "old");
  const auto verified = verify(folder / "old");
  REQUIRE(verified);
  CHECK(verified->whole());
  CHECK_FALSE(verified->seal);
  CHECK_FALSE(verified->has_seals);
}
