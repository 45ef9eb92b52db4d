// What both ways to call have in common: a deadline, patience, and refusals in words.
import { type Any, anyUnpack } from "@bufbuild/protobuf/wkt";
import type { DescMessage, DescMethodUnary, MessageInitShape, MessageShape } from "@bufbuild/protobuf";
import { BadRequestSchema, ErrorInfoSchema } from "../gen/google/rpc/error_details_pb.js";

/** How long one call may take, in milliseconds. */
export const DEADLINE_MS = 10_000;
/** How long a call is made again and again, in milliseconds. */
const PATIENCE_MS = 60_000;
/** The first wait between two calls and the longest, in milliseconds. */
const WAITS_MS = [200, 5_000] as const;
/** Codes that say nothing about whether the call was taken: DEADLINE_EXCEEDED and UNAVAILABLE. */
const AGAIN = [4, 14];

/** One call, whatever carries it. */
export interface Wire {
  unary<I extends DescMessage, O extends DescMessage>(
    method: DescMethodUnary<I, O>,
    message: MessageInitShape<I>,
  ): Promise<MessageShape<O>>;
}

/** The service said no, or did not answer. */
export class Refused extends Error {
  constructor(
    readonly code: number,
    message: string,
    readonly details: Any[],
  ) {
    super(message);
  }

  /** Whether asking again is safe and may help. */
  get isAway(): boolean {
    return AGAIN.includes(this.code);
  }

  /** It in words: the code, the reason, and the fields that are wrong. */
  explained(): string {
    const lines = [`code ${this.code}: ${this.message}`];
    for (const detail of this.details) {
      const info = anyUnpack(detail, ErrorInfoSchema);
      if (info) lines.push(`reason: ${info.reason}`);
      const bad = anyUnpack(detail, BadRequestSchema);
      for (const field of bad?.fieldViolations ?? []) lines.push(`  ${field.field}: ${field.description}`);
    }
    return lines.join("\n");
  }
}

/**
 * The answer; the message goes out again as it is until there is one. That is safe: a report is known by its source and id, a change
 * by its request id.
 */
export async function call<I extends DescMessage, O extends DescMessage>(
  wire: Wire,
  method: DescMethodUnary<I, O>,
  message: MessageInitShape<I>,
): Promise<MessageShape<O>> {
  const until = Date.now() + PATIENCE_MS;
  for (let wait: number = WAITS_MS[0]; ; wait = Math.min(wait * 2, WAITS_MS[1])) {
    try {
      return await wire.unary(method, message);
    } catch (error) {
      if (!(error instanceof Refused) || !error.isAway || Date.now() + wait > until) throw error;
      console.error(`no answer (code ${error.code}); trying again`);
    }
    // Not all at once after an outage.
    await new Promise((go) => setTimeout(go, wait * (0.5 + Math.random() / 2)));
  }
}
