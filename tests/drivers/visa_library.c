/*
 * A small VISA library of our own, for the tests: what a vendor's library offers to a program,
 * with the names, the attribute numbers and the status codes of the VISA library specification
 * (VPP-4.3, IVI Foundation). It opens TCPIPn::HOST::PORT::SOCKET and ASRLPATH::INSTR; whatever
 * else is asked of it is "not supported", as the specification has it.
 */
#include <fcntl.h>
#include <netdb.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

typedef int32_t ViStatus;
typedef uint32_t ViSession;

enum { SESSIONS = 64, MANAGER = 1, BUFFER = 1 << 16 };

static const ViStatus SUCCESS = 0, TERMCHAR_READ = 0x3FFF0005, MAX_COUNT_READ = 0x3FFF0006;
static const ViStatus INVALID_OBJECT = (ViStatus)0xBFFF000E, INVALID_NAME = (ViStatus)0xBFFF0012;
static const ViStatus NOT_FOUND = (ViStatus)0xBFFF0011, TIMEOUT = (ViStatus)0xBFFF0015;
static const ViStatus NO_ATTRIBUTE = (ViStatus)0xBFFF001D, NO_STATE = (ViStatus)0xBFFF001E;
static const ViStatus NOT_SUPPORTED = (ViStatus)0xBFFF0067, LOST = (ViStatus)0xBFFF00A6;
static const ViStatus ALLOCATION = (ViStatus)0xBFFF003C;

static const uint32_t ATTR_NAME = 0xBFFF0002, ATTR_TIMEOUT = 0x3FFF001A, ATTR_TERMCHAR = 0x3FFF0018;
static const uint32_t ATTR_TERMCHAR_EN = 0x3FFF0038, ATTR_INTERFACE = 0x3FFF0171;
static const uint32_t ATTR_BAUD = 0x3FFF0021, ATTR_DATA_BITS = 0x3FFF0022, ATTR_PARITY = 0x3FFF0023;
static const uint32_t ATTR_STOP_BITS = 0x3FFF0024, ATTR_FLOW = 0x3FFF0025;

typedef struct {
    int wire; /* 0: free */
    int serial;
    uint32_t timeout_ms;
    unsigned char stop;
    int stops;
    char name[256];
    unsigned char kept[BUFFER]; /* behind a termination character */
    size_t have;
} Link;

static Link links[SESSIONS];

static Link *link_of(ViSession session)
{
    if (session <= MANAGER || session >= SESSIONS || links[session].wire == 0) return NULL;
    return &links[session];
}

static int is_serial(const char *name) { return strncasecmp(name, "ASRL", 4) == 0; }

static int parse(const char *name, char *place, char *port)
{
    if (is_serial(name)) return sscanf(name + 4, "%200[^:]::INSTR", place) == 1;
    return sscanf(name, "TCPIP%*[0-9]::%200[^:]::%15[0-9]::SOCKET", place, port) == 2
        || sscanf(name, "TCPIP::%200[^:]::%15[0-9]::SOCKET", place, port) == 2;
}

static int connected(const char *host, const char *port)
{
    struct addrinfo *found, hints = {.ai_family = AF_INET, .ai_socktype = SOCK_STREAM};
    if (getaddrinfo(host, port, &hints, &found) != 0) return -1;
    int wire = socket(found->ai_family, found->ai_socktype, 0);
    if (wire >= 0 && connect(wire, found->ai_addr, found->ai_addrlen) != 0) {
        close(wire);
        wire = -1;
    }
    freeaddrinfo(found);
    return wire;
}

static int opened(const char *path)
{
    struct termios line;
    int wire = open(path, O_RDWR | O_NOCTTY);
    if (wire >= 0 && tcgetattr(wire, &line) == 0) {
        cfmakeraw(&line);
        tcsetattr(wire, TCSANOW, &line);
    }
    return wire;
}

ViStatus viOpenDefaultRM(ViSession *session)
{
    *session = MANAGER;
    return SUCCESS;
}

ViStatus viParseRsrcEx(ViSession manager, const char *name, uint16_t *interface, uint16_t *board,
                       char *class, char *expanded, char *alias)
{
    char place[256], port[16];
    (void)manager;
    if (!parse(name, place, port)) return INVALID_NAME;
    *interface = is_serial(name) ? 4 : 6;
    *board = 0;
    strcpy(class, is_serial(name) ? "INSTR" : "SOCKET");
    strcpy(expanded, name);
    alias[0] = '\0';
    return SUCCESS;
}

ViStatus viParseRsrc(ViSession manager, const char *name, uint16_t *interface, uint16_t *board)
{
    char class[256], expanded[256], alias[256];
    return viParseRsrcEx(manager, name, interface, board, class, expanded, alias);
}

ViStatus viOpen(ViSession manager, const char *name, uint32_t mode, uint32_t patience_ms,
                ViSession *session)
{
    char place[256], port[16];
    (void)manager, (void)mode, (void)patience_ms;
    if (!parse(name, place, port)) return INVALID_NAME;
    for (ViSession free = MANAGER + 1; free < SESSIONS; free++) {
        Link *link = &links[free];
        if (link->wire != 0) continue;
        int wire = is_serial(name) ? opened(place) : connected(place, port);
        if (wire < 0) return NOT_FOUND;
        *link = (Link){.wire = wire, .serial = is_serial(name), .timeout_ms = 2000, .stop = '\n'};
        snprintf(link->name, sizeof link->name, "%s", name);
        *session = free;
        return SUCCESS;
    }
    return ALLOCATION;
}

ViStatus viClose(ViSession session)
{
    Link *link = link_of(session);
    if (link != NULL) {
        close(link->wire);
        link->wire = 0;
    }
    return SUCCESS;
}

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* Hands over `count` of the bytes that were kept. */
static void take(Link *link, unsigned char *buffer, uint32_t count, uint32_t *got)
{
    memcpy(buffer, link->kept, count);
    memmove(link->kept, link->kept + count, link->have - count);
    link->have -= count;
    *got = count;
}

ViStatus viRead(ViSession session, unsigned char *buffer, uint32_t count, uint32_t *got)
{
    Link *link = link_of(session);
    *got = 0;
    if (link == NULL) return INVALID_OBJECT;
    int64_t end = now_ms() + link->timeout_ms;
    for (;;) {
        size_t there = link->have < count ? link->have : count;
        unsigned char *stop = link->stops ? memchr(link->kept, link->stop, there) : NULL;
        if (stop != NULL) {
            take(link, buffer, (uint32_t)(stop - link->kept) + 1, got);
            return TERMCHAR_READ;
        }
        if (link->have >= count || link->have == BUFFER) {
            take(link, buffer, (uint32_t)there, got);
            return MAX_COUNT_READ;
        }
        int64_t left = end - now_ms();
        struct pollfd wire = {.fd = link->wire, .events = POLLIN};
        if (poll(&wire, 1, left > 0 ? (int)left : 0) == 0) {
            take(link, buffer, (uint32_t)there, got); /* a caller may look at what has come */
            return TIMEOUT;
        }
        ssize_t more = read(link->wire, link->kept + link->have, BUFFER - link->have);
        if (more <= 0) return LOST;
        link->have += (size_t)more;
    }
}

ViStatus viWrite(ViSession session, const unsigned char *buffer, uint32_t count, uint32_t *sent)
{
    Link *link = link_of(session);
    *sent = 0;
    if (link == NULL) return INVALID_OBJECT;
    while (*sent < count) {
        ssize_t more = link->serial
            ? write(link->wire, buffer + *sent, count - *sent)
            : send(link->wire, buffer + *sent, count - *sent, MSG_NOSIGNAL);
        if (more <= 0) return LOST;
        *sent += (uint32_t)more;
    }
    return SUCCESS;
}

ViStatus viClear(ViSession session)
{
    Link *link = link_of(session);
    if (link == NULL) return INVALID_OBJECT;
    if (!link->serial) return NOT_SUPPORTED;
    link->have = 0;
    tcflush(link->wire, TCIFLUSH);
    return SUCCESS;
}

ViStatus viSetAttribute(ViSession session, uint32_t attribute, uint64_t state)
{
    Link *link = link_of(session);
    if (link == NULL) return INVALID_OBJECT;
    if (attribute == ATTR_TIMEOUT) link->timeout_ms = (uint32_t)state;
    else if (attribute == ATTR_TERMCHAR) link->stop = (unsigned char)state;
    else if (attribute == ATTR_TERMCHAR_EN) link->stops = state != 0;
    else if (link->serial && attribute == ATTR_DATA_BITS) return state == 8 ? SUCCESS : NO_STATE;
    else if (link->serial && (attribute == ATTR_BAUD || attribute == ATTR_PARITY
                              || attribute == ATTR_STOP_BITS || attribute == ATTR_FLOW)) return SUCCESS;
    else return NO_ATTRIBUTE;
    return SUCCESS;
}

ViStatus viGetAttribute(ViSession session, uint32_t attribute, void *state)
{
    Link *link = link_of(session);
    if (link == NULL) return session == MANAGER ? NO_ATTRIBUTE : INVALID_OBJECT;
    if (attribute == ATTR_NAME) strcpy(state, link->name);
    else if (attribute == ATTR_TIMEOUT) *(uint32_t *)state = link->timeout_ms;
    else if (attribute == ATTR_TERMCHAR) *(unsigned char *)state = link->stop;
    else if (attribute == ATTR_TERMCHAR_EN) *(uint16_t *)state = (uint16_t)link->stops;
    else if (attribute == ATTR_INTERFACE) *(uint16_t *)state = link->serial ? 4 : 6;
    else return NO_ATTRIBUTE;
    return SUCCESS;
}

ViStatus viStatusDesc(ViSession session, ViStatus status, char *text)
{
    (void)session;
    sprintf(text, "status 0x%08X", (uint32_t)status);
    return SUCCESS;
}

ViStatus viDisableEvent(ViSession session, uint32_t kind, uint16_t how)
{
    (void)session, (void)kind, (void)how;
    return SUCCESS;
}

ViStatus viDiscardEvents(ViSession session, uint32_t kind, uint16_t how)
{
    return viDisableEvent(session, kind, how);
}
