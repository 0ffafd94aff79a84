/** @file status.h  What a failed operation is called.
 *
 *  Three kinds of trouble are kept apart: a programmer's mistake (assert), a failed operation (enum
 *  taut_status, below), and a result that is not good news (data: a verdict, a quality; never a status). */
#ifndef TAUT_STATUS_H
#define TAUT_STATUS_H

#ifdef __cplusplus
extern "C" {
#endif

#if defined(__GNUC__)
#define TAUT_NODISCARD         __attribute__((warn_unused_result))
#define TAUT_PRINTF(fmt, args) __attribute__((format(printf, fmt, args)))
#else
#define TAUT_NODISCARD
#define TAUT_PRINTF(fmt, args)
#endif

enum taut_status {
    TAUT_OK = 0,
    TAUT_E_ARG = -1,      /* an argument outside its stated range */
    TAUT_E_FEW = -2,      /* too few usable points */
    TAUT_E_SPREAD = -3,   /* no spread in the points (all at one time, say) */
    TAUT_E_FULL = -4,     /* the caller's storage is too small */
    TAUT_E_FORMAT = -5,   /* text or bytes that do not follow their grammar */
    TAUT_E_RANGE = -6,    /* well formed but outside what is allowed */
    TAUT_E_STATE = -7,    /* not possible in the present phase or state */
    TAUT_E_SINGULAR = -8, /* equations without one answer */
    TAUT_E_CONVERGE = -9, /* a search that did not settle */
    TAUT_E_NOENT = -10,   /* no such thing */
    TAUT_E_EXISTS = -11,  /* it is there already */
    TAUT_E_IO = -12,      /* the system refused; errno was translated where it was seen */
    TAUT_E_TIMEOUT = -13, /* no answer in time */
    TAUT_E_PEER = -14,    /* the other side answered, but wrongly or with an exception */
    TAUT_E_DENIED = -15,  /* not allowed for this caller */
    TAUT_E_MEMORY = -16   /* no memory (daemon only; lib never allocates) */
};

/** Short English text of a status, such as "too few usable points".  Pure; never NULL. */
const char *taut_status_text(enum taut_status status);

/** Constant name of a status, such as "TAUT_E_FEW".  Pure; never NULL. */
const char *taut_status_name(enum taut_status status);

#ifdef __cplusplus
}
#endif
#endif
