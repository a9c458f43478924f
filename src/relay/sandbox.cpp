#include "relay/sandbox.hpp"

#include <fcntl.h>
#include <linux/capability.h>
#include <linux/landlock.h>
#include <seccomp.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdint>
#include <initializer_list>
#include <iterator>
#include <memory>

#include "journal/file.hpp"

namespace nightwell::relay {

namespace {

Error refused_by_kernel(const char* what, int number) {
  return {Errc::unexpected, "entering the sandbox", std::string(what) + ": " + journal::system_text(number), ""};
}

// A service manager's own fence may refuse to drop what it gave none of.
bool has_no_capabilities() {
  __user_cap_header_struct header{_LINUX_CAPABILITY_VERSION_3, 0};
  __user_cap_data_struct has[2]{};
  return ::syscall(SYS_capget, &header, has) == 0 && std::all_of(std::begin(has), std::end(has), [](const auto& word) {
           return word.effective == 0 && word.permitted == 0 && word.inheritable == 0;
         });
}

Result<void> drop_privileges() {
  for (int capability = 0; capability <= CAP_LAST_CAP; ++capability)
    (void)::prctl(PR_CAPBSET_DROP, capability, 0, 0, 0);  // only a privileged process has to, and may
  __user_cap_header_struct header{_LINUX_CAPABILITY_VERSION_3, 0};
  __user_cap_data_struct none[2]{};
  if (::syscall(SYS_capset, &header, none) != 0 && !has_no_capabilities())
    return refused_by_kernel("dropping capabilities", errno);
  if (::prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0) return refused_by_kernel("no new privileges", errno);
  const rlimit no_core{0, 0};
  if (::prctl(PR_SET_DUMPABLE, 0, 0, 0, 0) != 0 || ::setrlimit(RLIMIT_CORE, &no_core) != 0)
    return refused_by_kernel("switching core dumps off", errno);
  return {};
}

// ---- Landlock ----

// Debian 12's header knows the first two versions of it; these are the later ones' (landlock(7) of Linux 6.12).
struct RulesetAttributes {
  std::uint64_t files = 0, net = 0, scoped = 0;
};
constexpr std::uint64_t every_file_access_1 = (LANDLOCK_ACCESS_FS_MAKE_SYM << 1) - 1;  // EXECUTE to MAKE_SYM
constexpr std::uint64_t refer = 1ULL << 13, truncate = 1ULL << 14, ioctl_of_device = 1ULL << 15;
constexpr std::uint64_t bind_tcp = 1ULL << 0, connect_tcp = 1ULL << 1;
constexpr std::uint64_t abstract_sockets = 1ULL << 0, signals = 1ULL << 1;

Result<void> restrict_files(const std::filesystem::path& folder, Lacking& lacking) {
  const journal::File below{::open(folder.c_str(), O_PATH | O_DIRECTORY | O_CLOEXEC)};
  if (below.fd() < 0 || ::access(folder.c_str(), R_OK | X_OK) != 0)
    return Error{Errc::bad_input, "looking for the runs",
                 journal::system_text(errno) + " (it must be there and readable)", folder.string()};
  const long version = ::syscall(SYS_landlock_create_ruleset, nullptr, 0, LANDLOCK_CREATE_RULESET_VERSION);
  if (version < 0) {
    lacking.push_back("this kernel has no Landlock: files outside the runs folder are kept by their modes alone");
    return {};
  }
  if (version < 4) lacking.push_back("this kernel's Landlock knows no TCP: seccomp alone refuses connecting");
  RulesetAttributes all;
  all.files = every_file_access_1 | (version >= 2 ? refer : 0) | (version >= 3 ? truncate : 0) |
              (version >= 5 ? ioctl_of_device : 0);
  all.net = version >= 4 ? bind_tcp | connect_tcp : 0;
  all.scoped = version >= 6 ? abstract_sockets | signals : 0;
  const std::size_t known = sizeof(std::uint64_t) * (version >= 6 ? 3U : version >= 4 ? 2U : 1U);
  const journal::File rules{static_cast<int>(::syscall(SYS_landlock_create_ruleset, &all, known, 0))};
  if (rules.fd() < 0) return refused_by_kernel("Landlock", errno);
  landlock_path_beneath_attr readable{};
  readable.allowed_access = LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_READ_DIR;
  readable.parent_fd = below.fd();
  if (::syscall(SYS_landlock_add_rule, rules.fd(), LANDLOCK_RULE_PATH_BENEATH, &readable, 0) != 0 ||
      ::syscall(SYS_landlock_restrict_self, rules.fd(), 0) != 0)
    return refused_by_kernel("Landlock", errno);
  return {};
}

// ---- seccomp ----

// Calls whose arguments do not matter: they work on what is open already, on our own memory, or tell the time.
constexpr int plain_calls[] = {
    // descriptors that are open
    SCMP_SYS(read),
    SCMP_SYS(readv),
    SCMP_SYS(pread64),
    SCMP_SYS(write),
    SCMP_SYS(writev),
    SCMP_SYS(close),
    SCMP_SYS(lseek),
    SCMP_SYS(fstat),
    SCMP_SYS(getdents64),
    // looking at files: what may be seen is Landlock's and the modes' business
    SCMP_SYS(newfstatat),
    SCMP_SYS(statx),
    SCMP_SYS(inotify_add_watch),
    SCMP_SYS(inotify_rm_watch),
    // connections that others open to us
    SCMP_SYS(accept),
    SCMP_SYS(accept4),
    SCMP_SYS(recvmsg),
    SCMP_SYS(recvfrom),
    SCMP_SYS(shutdown),
    SCMP_SYS(getsockname),
    SCMP_SYS(getpeername),
    SCMP_SYS(getsockopt),
    // waiting
    SCMP_SYS(epoll_wait),
    SCMP_SYS(epoll_pwait),
    SCMP_SYS(epoll_ctl),
    SCMP_SYS(timerfd_settime),
    SCMP_SYS(poll),
    SCMP_SYS(ppoll),
    SCMP_SYS(futex),
    SCMP_SYS(restart_syscall),
    // memory, time, chance
    SCMP_SYS(munmap),
    SCMP_SYS(mremap),
    SCMP_SYS(brk),
    SCMP_SYS(madvise),
    SCMP_SYS(clock_gettime),
    SCMP_SYS(gettimeofday),
    SCMP_SYS(getrandom),
    SCMP_SYS(sysinfo),
    // signals to us, and the end
    SCMP_SYS(rt_sigreturn),
    SCMP_SYS(rt_sigprocmask),
    SCMP_SYS(rt_sigaction),
    SCMP_SYS(sigaltstack),
    SCMP_SYS(getpid),
    SCMP_SYS(gettid),
    SCMP_SYS(exit),
    SCMP_SYS(exit_group),
#ifdef __SANITIZE_ADDRESS__
    // The undefined-behaviour sanitizer looks through a pipe whether memory can be read.
    SCMP_SYS(pipe),
    SCMP_SYS(pipe2),
#endif
};

constexpr std::uint64_t only_temporary_file = O_TMPFILE & ~O_DIRECTORY;
constexpr std::uint64_t writing = O_ACCMODE | O_CREAT | O_TRUNC | O_APPEND | only_temporary_file;

class Filter {
 public:
  Filter() : context_(seccomp_init(SCMP_ACT_ERRNO(EPERM)), seccomp_release) {}

  void allow(int call, std::initializer_list<scmp_arg_cmp> conditions = {}) {
    if (failed_ != 0 || !context_) return;
    const int result = seccomp_rule_add_array(context_.get(), SCMP_ACT_ALLOW, call,
                                              static_cast<unsigned>(conditions.size()), conditions.begin());
    if (result != 0 && result != -EDOM) failed_ = -result;  // EDOM: this architecture has no such call
  }
  // 0, or the error's number.
  int load() {
    if (!context_) return ENOMEM;
    return failed_ != 0 ? failed_ : -seccomp_load(context_.get());
  }

 private:
  std::unique_ptr<void, decltype(&seccomp_release)> context_;
  int failed_ = 0;
};

Result<void> restrict_calls(Lacking& lacking) {
  if (::prctl(PR_GET_SECCOMP, 0, 0, 0, 0) < 0) {
    lacking.push_back("this kernel has no seccomp: system calls are not restricted");
    return {};
  }
  Filter filter;
  for (const int call : plain_calls) filter.allow(call);
  filter.allow(SCMP_SYS(openat), {SCMP_A2(SCMP_CMP_MASKED_EQ, writing, O_RDONLY)});
  filter.allow(SCMP_SYS(mmap), {SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0)});
  filter.allow(SCMP_SYS(mprotect), {SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0)});
  filter.allow(SCMP_SYS(sendto), {SCMP_A4(SCMP_CMP_EQ, 0)});  // to whom the socket is connected
  filter.allow(SCMP_SYS(sendmsg));                            // of the sockets that there are, none can send elsewhere
  filter.allow(SCMP_SYS(ioctl), {SCMP_A1(SCMP_CMP_EQ, FIONBIO)});
  for (const int command : {F_GETFL, F_SETFL, F_GETFD, F_SETFD})
    filter.allow(SCMP_SYS(fcntl), {SCMP_A1(SCMP_CMP_EQ, static_cast<scmp_datum_t>(command))});
  filter.allow(SCMP_SYS(tgkill), {SCMP_A0(SCMP_CMP_EQ, static_cast<scmp_datum_t>(::getpid()))});  // abort()
  if (const int number = filter.load(); number != 0) return refused_by_kernel("seccomp", number);
  return {};
}

}  // namespace

Result<Lacking> enter_sandbox(const std::filesystem::path& readable_folder) {
  Lacking lacking;
  if (auto done = drop_privileges(); !done) return done.error();
  if (auto done = restrict_files(readable_folder, lacking); !done) return done.error();
  if (auto done = restrict_calls(lacking); !done) return done.error();
  return lacking;
}

}  // namespace nightwell::relay
